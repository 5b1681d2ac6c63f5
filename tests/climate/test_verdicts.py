import math

import numpy as np
import pytest
from climate_builders import steps
from hypothesis import given
from hypothesis import strategies as st

from service.climate.ranges import HOUR_MS, OutOfRangeError
from service.climate.series import Series
from service.climate.soaking import DRY, is_soaked_at, soak_over, soaked_spans, wet_runs
from service.climate.targets import Target
from service.climate.uncertainty import (
    Verdict,
    conformance_probability,
    judge,
    judge_share,
    quadrature,
    same_channel_difference,
    widened_for_drift,
    widened_for_soak,
    worst,
)

LOW = {20.9: "not met", 21: "borderline", 22.9: "borderline", 23: "met"}
HIGH = {26: "met", 26.1: "borderline", 28: "borderline", 28.1: "not met", math.nan: "no data"}


@pytest.mark.parametrize(("statistic", "verdict"), (LOW | HIGH).items())
def test_guard_band_is_as_wide_as_the_uncertainty(statistic: float, verdict: str) -> None:
    assert judge(statistic, Target(low=22, high=27), uncertainty=1) == verdict


finite = st.floats(-60, 160)
not_negative = st.floats(0, 50)


@given(finite, finite, finite, not_negative, not_negative)
def test_growing_uncertainty_never_turns_a_failure_into_a_pass_nor_back(
    y: float, a: float, b: float, u: float, more: float
) -> None:
    target = Target(low=min(a, b), high=max(a, b))
    before, after = judge(y, target, u), judge(y, target, u + more)
    assert after in {before, Verdict.BORDERLINE}


@given(st.lists(finite, min_size=1, max_size=50), not_negative, not_negative, st.floats(0.01, 1))
def test_growing_uncertainty_never_turns_a_failed_share_into_a_pass(
    values: list[float], u: float, more: float, asked: float
) -> None:
    v = np.array(values)

    def verdict(width: float) -> Verdict:
        certain = float(np.mean((v >= 20 + width) & (v <= 40 - width)))
        at_most = float(np.mean((v >= 20 - width) & (v <= 40 + width)))
        return judge_share(certain, at_most, asked)

    assert verdict(u + more) in {verdict(u), Verdict.BORDERLINE}


def test_without_uncertainty_there_is_no_borderline() -> None:
    assert judge(22, Target(low=22), 0) == "met"
    assert judge(21.999, Target(low=22), 0) == "not met"


def test_a_band_narrower_than_twice_the_uncertainty_is_never_met() -> None:
    assert judge(22.5, Target(low=22, high=23), 1) == "borderline"


def test_negative_uncertainty_is_refused() -> None:
    with pytest.raises(OutOfRangeError, match=r"uncertainty is -1"):
        judge(20, Target(low=10), -1)


def test_unknown_uncertainty_gives_no_verdict() -> None:
    assert judge(20, Target(low=10), math.nan) == "no data"


def test_a_share_is_met_for_certain_failed_at_most_and_else_borderline() -> None:
    assert judge_share(0.8, 0.9, 0.8) == "met"
    assert judge_share(0.7, 0.79, 0.8) == "not met"
    assert judge_share(0.7, 0.8, 0.8) == "borderline"
    assert judge_share(math.nan, math.nan, 0.8) == "no data"


def test_a_summary_shows_the_worst_and_cannot_tell_is_no_pass() -> None:
    met, borderline, no_data, not_met = Verdict.MET, Verdict.BORDERLINE, Verdict.NO_DATA, Verdict.NOT_MET
    assert worst([met, no_data, borderline, not_met]) == "not met"
    assert worst([met, no_data, borderline]) == "no data"
    assert worst([met, borderline]) == "borderline"
    assert worst([met]) == "met"
    assert worst([]) == "no data"


@given(finite, st.floats(0.01, 20))
def test_what_is_met_conforms_with_at_least_the_probability_of_two_sigma(y: float, u: float) -> None:
    target = Target(low=20)
    p = conformance_probability(y, target, u)
    assert 0 <= p <= 1
    if judge(y, target, u) is Verdict.MET:
        assert p >= 0.9772
    if judge(y, target, u) is Verdict.NOT_MET:
        assert p <= 0.0228


def test_drift_widens_by_the_month_and_by_the_quantity() -> None:
    assert widened_for_drift(2, "relative_humidity", 8) == 4
    assert widened_for_drift(0.3, "air_temperature", 10) == pytest.approx(0.5)
    assert widened_for_drift(0.3, "air_temperature", -3) == 0.3
    assert widened_for_drift(2, "relative_humidity", 8, per_month=0.5) == 6
    assert widened_for_drift(5, "power", 8) == 5


def test_differences_are_freer_of_error_in_one_channel_than_in_two() -> None:
    assert same_channel_difference(0.6) == pytest.approx(0.2)
    assert same_channel_difference(0.6, repeat=0.1) == 0.1
    assert quadrature(0.3, 0.4) == pytest.approx(0.5)


def wet_hours(*pieces: tuple[int, float]) -> object:
    hours = [value for length, value in pieces for _ in range(length)]
    return steps(*((60 * h, v) for h, v in enumerate(hours)), cadence_ms=HOUR_MS)


def test_an_element_is_soaked_after_sixty_hours_until_it_has_dried() -> None:
    spans = soaked_spans(wet_hours((70, 95), (30, 60)))
    assert (spans / HOUR_MS).tolist() == [[60, 82]]


def test_a_short_dry_break_before_sixty_hours_starts_the_count_again() -> None:
    assert not len(soaked_spans(wet_hours((50, 95), (1, 70), (50, 95))))


def test_a_short_dry_break_does_not_dry_a_soaked_element() -> None:
    spans = soaked_spans(wet_hours((70, 95), (5, 60), (20, 95)))
    assert (spans / HOUR_MS).tolist() == [[60, 95]]


@given(st.lists(st.tuples(st.integers(1, 70), st.sampled_from([60.0, 95.0])), min_size=1, max_size=8), st.data())
def test_soaking_is_the_same_carried_from_reading_to_reading(
    pieces: list[tuple[int, float]], data: st.DataObject
) -> None:
    series = wet_hours(*pieces)
    cut = data.draw(st.integers(0, len(series.at)))
    memory, found = DRY, []
    for part in (slice(0, cut), slice(cut, None)):
        memory, spans = soak_over(memory, Series(series.at[part], series.value[part], series.cadence_ms))
        found.append(spans)
    whole = soaked_spans(series)
    for at in series.at.tolist():
        seen = found[0] if at in series.at[:cut] else found[1]
        assert is_soaked_at(seen, at) == is_soaked_at(whole, at)


@given(
    st.lists(st.tuples(st.integers(1, 40), st.sampled_from([60.0, 80.0, 95.0, math.nan])), min_size=1, max_size=30),
    st.integers(-20, 400),
    st.integers(1, 400),
)
def test_soaking_within_a_span_is_that_of_its_readings_alone(
    steps_and_values: list[tuple[int, float]], start: int, length: int
) -> None:
    at = np.cumsum([step for step, _ in steps_and_values]) * HOUR_MS
    value = np.array([v for _, v in steps_and_values])
    inside = (at >= start * HOUR_MS) & (at < (start + length) * HOUR_MS) & ~np.isnan(value)
    expected: list[list[int]] = []
    if inside.any():
        last = int(at[inside][-1]) + HOUR_MS
        until = np.append(at[inside], last), np.append(value[inside], value[inside][-1])
        _, spans = soak_over(DRY, Series(*until, 1))
        expected = [[a, min(b, last)] for a, b in spans.tolist() if a < last]
    runs = wet_runs(Series(at, value, HOUR_MS))
    found = runs.soaked_within(start * HOUR_MS, (start + length) * HOUR_MS, HOUR_MS)
    assert found.tolist() == expected


def test_a_soaked_element_carries_its_allowance() -> None:
    assert widened_for_soak(2, 3, soaked=True) == 5
    assert widened_for_soak(2, 3, soaked=False) == 2
