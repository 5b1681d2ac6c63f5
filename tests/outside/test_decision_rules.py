"""Guard bands and conformance probabilities against published decision rules.

Source: JCGM 106:2012, ILAC-G8:09/2019 and JCGM 100:2008, as named in each row of the saved table.
"""

import math
import re

import pytest
from climate_tables import given, rows
from scipy import integrate, optimize, stats

from service.climate.targets import Target
from service.climate.uncertainty import conformance_probability, expanded_from_limit, judge, quadrature

TABLE = rows("decision_rules.csv")


def of(example: str, quantity: str) -> list[dict[str, str]]:
    found = [row for row in TABLE if row["example"] == example and quantity in row["quantity"]]
    assert found
    return found


@pytest.mark.parametrize("row", of("one-sided", "probability"), ids=lambda row: row["given"])
def test_one_sided_conformance_probability(row: dict[str, str]) -> None:
    values = given(row["given"])
    found = conformance_probability(values["y"], Target(high=32.0), 2 * values["u"])
    assert found == pytest.approx(float(row["value"]), abs=5.1e-6)


@pytest.mark.parametrize("row", of("two-sided", "probability"), ids=lambda row: row["given"])
def test_two_sided_conformance_probability(row: dict[str, str]) -> None:
    values = given(row["given"])
    found = conformance_probability(values["y"], Target(24, 26), 2 * values["u"])
    assert found == pytest.approx(float(row["value"]), abs=5.1e-6)


def test_verdicts_change_at_the_published_acceptance_and_rejection_limits() -> None:
    acceptance = float(of("one-sided", "acceptance limit")[0]["value"])
    rejection = float(of("one-sided", "rejection limit")[0]["value"])
    target, uncertainty = Target(high=32.0), 0.5
    assert judge(acceptance, target, uncertainty) == "met"
    assert judge(math.nextafter(acceptance, math.inf), target, uncertainty) == "borderline"
    assert judge(rejection, target, uncertainty) == "borderline"
    assert judge(math.nextafter(rejection, math.inf), target, uncertainty) == "not met"


def test_the_micrometer_example_has_its_published_acceptance_interval() -> None:
    # Permissible error 0.003 mm, U 0.001 mm: accepted within 0.002 mm.
    limit = float(of("micrometer", "acceptance")[0]["value"])
    permissible = Target(-0.003, 0.003)
    assert judge(limit - 1e-9, permissible, 0.001) == "met"
    assert judge(limit + 1e-9, permissible, 0.001) == "borderline"


@pytest.mark.parametrize("row", of("specific risk at the acceptance limit", ""), ids=lambda row: row["quantity"])
def test_the_risk_at_an_acceptance_limit_is_the_published_one(row: dict[str, str]) -> None:
    r = float(re.search(r"r=([\d.]+)", row["given"]).group(1))
    risk = 100 * (1 - conformance_probability(32.0 - r, Target(high=32.0), 1.0))
    assert risk == pytest.approx(float(row["value"]), rel=1e-5, abs=1e-9)


def test_with_a_guard_band_of_u_what_is_met_is_wrong_in_at_most_2_3_percent() -> None:
    (row,) = [row for row in TABLE if row["quantity"].startswith("w=U")]
    target, uncertainty = Target(high=32.0), 1.0
    risks = [100 * (1 - conformance_probability(y, target, uncertainty)) for y in (29.0, 30.5, 31.0)]
    assert all(judge(y, target, uncertainty) == "met" for y in (29.0, 30.5, 31.0))
    assert max(risks) == pytest.approx(float(row["value"]), rel=1e-5)


def accepted_wrongly(limit: float) -> float:
    """Return the share of all bearings out of tolerance that a limit accepts, by integration over the prior."""
    prior = stats.gamma(a=4, scale=1 / 4)

    def share(true: float) -> float:
        return prior.pdf(true) * conformance_probability(true, Target(high=limit), 0.5)

    return integrate.quad(share, 2, 12)[0]


def test_the_ball_bearing_example_comes_out_as_published() -> None:
    # JCGM 106:2012, 9.5.4: gamma prior, limit 2 µm, u 0.25 µm. The probability that a bearing of true size x reads at
    # or below a limit is that of a value around x with U: our conformance probability with both exchanged.
    published = {row["quantity"]: float(row["value"]) for row in TABLE if row["example"] == "ball bearing"}
    share = published["global false-accept risk, acceptance limit 2 um"]
    limit = published["acceptance limit for a global false-accept risk of 0.1 %"]
    assert accepted_wrongly(2.0) == pytest.approx(share, abs=5e-6)
    assert optimize.brentq(lambda x: accepted_wrongly(x) - 0.001, 1, 2) == pytest.approx(limit, abs=5e-5)


def test_a_datasheet_limit_is_read_as_rectangular() -> None:
    (row,) = of("datasheet limit", "expanded uncertainty k=2")
    assert expanded_from_limit(0.5) == pytest.approx(float(row["value"]), abs=5e-5)


def test_a_difference_of_two_channels_adds_in_quadrature() -> None:
    (row,) = of("difference", "U of a difference")
    values = given(row["given"])
    assert quadrature(values["U1"], values["U2"]) == pytest.approx(float(row["value"]), abs=5e-5)
