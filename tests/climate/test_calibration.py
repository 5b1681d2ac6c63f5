import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.climate.calibration import (
    CheckPoint,
    as_found,
    correction_of,
    point_uncertainty,
    settling_of,
    why_implausible,
)

HUMIDITY, AIR = "relative_humidity", "air_temperature"
MINUTE = 60_000


def points(*figures: tuple[float, float, float]) -> list[CheckPoint]:
    return [CheckPoint(*one) for one in figures]


def test_one_point_is_an_offset_with_its_uncertainty_everywhere() -> None:
    offset = correction_of(points((75.3, 77.1, 1.5)))
    assert (offset.slope, offset.offset) == (1.0, 75.3 - 77.1)
    assert offset.at(50.0) == 50.0 + (75.3 - 77.1)
    assert [offset.uncertainty_at(x) for x in (0.0, 77.1, 100.0)] == [1.5, 1.5, 1.5]
    assert offset.widest(HUMIDITY) == 1.5


FIGURES = st.tuples(st.floats(-5, 5), st.floats(0.1, 3))


@settings(max_examples=60)
@given(st.lists(FIGURES, min_size=2, max_size=6))
def test_more_points_are_the_weighted_line_of_least_squares(figures: list[tuple[float, float]]) -> None:
    reads = np.linspace(11.0, 97.0, len(figures))
    found = correction_of([CheckPoint(r + off, r, u) for r, (off, u) in zip(reads, figures, strict=True)])
    true = np.array([r + off for r, (off, _) in zip(reads, figures, strict=True)])
    weights = np.array([2 / u for _, u in figures])
    # numpy's fit is the second method; its covariance, unscaled, is that of weights which are 1/u.
    second, covariance = np.polyfit(reads, true, 1, w=weights, cov="unscaled")
    assert (found.slope, found.offset) == (pytest.approx(second[0]), pytest.approx(second[1], abs=1e-8))
    left = (true - np.polyval(second, reads)) * weights
    ratio = max(1.0, math.sqrt(float(left @ left) / (len(reads) - 2))) if len(reads) > 2 else 1.0
    for x in (10.0, 55.0, 100.0):
        variance = np.array([x, 1.0]) @ covariance @ np.array([x, 1.0])
        assert found.uncertainty_at(x) == pytest.approx(2 * ratio * math.sqrt(variance))


def test_a_line_through_two_points_meets_both_and_knows_less_beyond_them() -> None:
    line = correction_of(points((32.8, 35.0, 1.2), (75.3, 77.0, 1.6)))
    assert (line.at(35.0), line.at(77.0)) == (pytest.approx(32.8), pytest.approx(75.3))
    assert line.uncertainty_at(35.0) == pytest.approx(1.2)
    assert line.uncertainty_at(77.0) == pytest.approx(1.6)
    # By hand at 100 %RH: the ends' shares there are (100-77)/42 and (100-35)/42.
    assert line.widest(HUMIDITY) == pytest.approx(math.hypot(1.2 * 23 / 42, 1.6 * 65 / 42))
    assert np.isnan(line.of(np.array([math.nan]))[0])


@pytest.mark.parametrize("wrong", [[], [(75.0, 75.0, 0.0)], [(75.0, 75.0, 1.0), (76.0, 75.0, 1.0)]])
def test_what_gives_no_line_is_an_error(wrong: list[tuple[float, float, float]]) -> None:
    with pytest.raises(ValueError, match=r"a correction needs at least|all points read 75"):
        correction_of(points(*wrong))


@pytest.mark.parametrize(
    ("quantity", "figures", "said"),
    [
        (HUMIDITY, [(75.3, 77.1, 1.5)], None),
        (HUMIDITY, [(75.3, 85.3, 1.5)], None),
        (HUMIDITY, [(75.3, 85.4, 1.5)], "more than the 10 that such an element can need"),
        (HUMIDITY, [(75.3, 77.1, math.nan)], "the uncertainty of the reference is missing"),
        (HUMIDITY, [(75.3, 77.1, 0.0)], "the uncertainty of the reference is missing"),
        (HUMIDITY, [], "there is no point"),
        (HUMIDITY, [(32.8, 35.0, 1.2), (75.3, 77.0, 1.6)], None),
        (HUMIDITY, [(59.1, 59.0, 1.2), (75.3, 77.0, 1.6)], "the points lie 18 apart; a line needs at least 20"),
        (HUMIDITY, [(11.3, 20.0, 1.2), (43.2, 44.0, 1.6)], "has the slope 1.329, expected 0.8 to 1.25"),
        (HUMIDITY, [(11.3, 5.0, 1.2), (43.2, 52.0, 1.6)], "has the slope 0.679, expected 0.8 to 1.25"),
        (AIR, [(0.0, 0.4, 0.1)], None),
        (AIR, [(0.0, 2.1, 0.1)], "more than the 2 that such an element can need"),
        (AIR, [(0.0, 0.4, 0.1), (9.0, 9.1, 0.1)], "the points lie 8.7 apart; a line needs at least 10"),
        ("illuminance", [(500.0, 430.0, 20.0)], None),
    ],
)
def test_what_no_element_can_need_is_refused(
    quantity: str, figures: list[tuple[float, float, float]], said: str | None
) -> None:
    own = {HUMIDITY: 2.3, AIR: 0.33}.get(quantity, 2000.0)
    why = why_implausible(quantity, points(*figures), own)
    assert (why is None) if said is None else said in (why or "")


def test_a_point_is_no_better_known_than_reference_readings_step_and_repeat_together() -> None:
    # By hand: 0.5, 2·0.2, 0.1/2·1.1547, 0.3 in quadrature.
    assert point_uncertainty(0.5, 0.2, 0.1, 0.3) == pytest.approx(math.sqrt(0.25 + 0.16 + 0.05774**2 + 0.09), rel=1e-4)


def test_drift_is_what_the_channel_was_off_by_as_it_was_corrected() -> None:
    new = points((75.3, 78.0, 1.0))
    assert as_found(None, new) == (pytest.approx(2.7),)
    assert as_found(correction_of(points((75.0, 77.0, 1.0))), new) == (pytest.approx(0.7),)


def settled(value: np.ndarray, every_s: int = 60, minutes: int = 10, step: float = 0.01) -> str | None:
    at = np.arange(len(value), dtype=np.int64) * every_s * 1000 + 1
    return settling_of(HUMIDITY, at, value, int(at[-1]), minutes * MINUTE, step).waiting


def test_a_probe_has_settled_when_its_last_minutes_stand_still() -> None:
    rest = np.full(30, 75.0)
    assert settled(rest) is None
    rising = 75.0 - 25.0 * np.exp(-np.arange(90) / 12)
    assert "still goes up" in (settled(rising[:31]) or "")
    assert "still goes down" in (settled(150 - rising[:31]) or "")
    assert settled(rising) is None
    # A slope of 0.05 a minute is 0.5 in ten: the last that counts as still.
    assert settled(75.0 + 0.0499 * np.arange(30)) is None
    assert "still goes up" in (settled(75.0 + 0.0501 * np.arange(30)) or "")
    # An element with whole steps of 1 %RH cannot show less.
    assert settled(np.where(np.arange(30) % 2, 75.0, 76.0), step=1.0) is None


def test_too_few_readings_or_none_are_not_a_settled_probe() -> None:
    assert "nothing was heard" in (settled(np.full(30, math.nan)) or "")
    assert "only 4 readings" in (settled(np.full(4, 75.0)) or "")
    gap = np.full(30, 75.0)
    gap[20:26] = math.nan
    assert "only 4 readings" in (settled(gap) or "")
    sparse = np.full(60, 75.0)
    sparse[10:50] = math.nan
    assert "more than a quarter of that time" in (settled(sparse, minutes=60) or "")


def test_the_mean_and_its_spread_are_those_of_the_window_alone() -> None:
    at = np.arange(20, dtype=np.int64) * MINUTE
    value = np.concatenate((np.full(10, 50.0), np.array([75.1, 74.9] * 5)))
    found = settling_of(HUMIDITY, at, value, int(at[-1]), 10 * MINUTE, 0.01)
    assert (found.readings, found.mean) == (10, pytest.approx(75.0))
    assert found.spread == pytest.approx(0.1 * math.sqrt(10 / 9))
    assert (found.start_ms, found.end_ms) == (int(at[-1]) - 10 * MINUTE, int(at[-1]))
    assert found.is_settled
