"""On-delay, off-delay and deadband."""

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from service.alarms.delays import NOTHING, Delays, Judged, Raised, Returned, advance

MINUTE = 60_000
HOLD = 5 * MINUTE


def judged(minutes: list[float], values: list[float], limit: float = 38, deadband: float = 1) -> Judged:
    at, value = (np.array(minutes) * MINUTE).astype(np.int64), np.array(values, dtype=float)
    return Judged(at, value, value > limit, value <= limit - deadband, upward=True)


def happened(minutes: list[float], values: list[float], on: float = 1, off: float = 1) -> list[tuple[str, float]]:
    _memory, events = advance(NOTHING, judged(minutes, values), Delays(int(on * MINUTE), int(off * MINUTE)), HOLD)
    return [(type(event).__name__, event.at_ms / MINUTE) for event in events]


def test_it_is_raised_once_the_limit_was_exceeded_for_the_on_delay() -> None:
    assert happened([0, 1, 2], [39, 39, 39]) == [("Raised", 1)]


def test_a_single_reading_beyond_raises_nothing() -> None:
    assert happened([0, 1, 2], [37, 45, 37]) == []


def test_exactly_the_limit_is_not_beyond() -> None:
    assert happened([0, 1, 2, 3], [38, 38, 38, 38]) == []


def test_the_on_delay_starts_anew_when_the_condition_breaks() -> None:
    assert happened([0, 1, 2, 3, 4], [39, 39, 38, 39, 39], on=2) == []


def test_without_an_on_delay_the_first_reading_raises() -> None:
    assert happened([0, 1], [37, 39], on=0) == [("Raised", 1)]


def test_it_stands_until_the_value_is_back_by_the_deadband_for_the_off_delay() -> None:
    minutes: list[float] = [0, 1, 2, 3, 4, 5]
    values = [39, 39, 37.5, 37, 37, 37]
    assert happened(minutes, values) == [("Raised", 1), ("Returned", 4)]


def test_a_value_within_the_deadband_keeps_it_standing_and_restarts_the_off_delay() -> None:
    assert happened([0, 1, 2, 3, 4, 5], [39, 39, 37, 37.9, 37, 37]) == [("Raised", 1), ("Returned", 5)]


def test_missing_time_counts_only_as_long_as_a_reading_stands() -> None:
    # 39 °C stands for five minutes of the hour without readings: less than the half hour that is asked for.
    assert happened([0, 60], [39, 39], on=30) == []
    assert happened([0, 60], [39, 39], on=5) == [("Raised", 60)]


def test_missing_data_does_not_clear() -> None:
    assert happened([0, 1, 500], [39, 39, 39]) == [("Raised", 1)]


def test_the_peak_is_the_furthest_since_it_began() -> None:
    memory, events = advance(NOTHING, judged([0, 1, 2, 3, 4], [39, 41, 40, 36, 36]), Delays(2 * MINUTE, MINUTE), HOLD)
    raised, returned = events
    assert isinstance(raised, Raised)
    assert isinstance(returned, Returned)
    assert (raised.began_ms, raised.at_ms, raised.value, raised.peak) == (0, 2 * MINUTE, 40, 41)
    assert (returned.raised_ms, returned.peak) == (2 * MINUTE, 41)
    assert memory.raised_ms is None


histories = st.lists(
    st.tuples(st.integers(1, 400), st.sampled_from([30.0, 37.0, 37.5, 38.0, 38.5, 41.0])), min_size=1, max_size=60
)


@given(histories, st.lists(st.integers(0, 60), max_size=5), st.integers(0, 20), st.integers(0, 20))
def test_it_does_not_matter_in_how_many_pieces_readings_come(
    history: list[tuple[int, float]], cuts: list[int], on: int, off: int
) -> None:
    minutes = np.cumsum([step for step, _ in history]).tolist()
    values, delays = [value for _, value in history], Delays(on * MINUTE, off * MINUTE)
    memory_at_once, at_once = advance(NOTHING, judged(minutes, values), delays, HOLD)
    memory, pieces = NOTHING, []
    edges = sorted({0, len(values), *(min(cut, len(values)) for cut in cuts)})
    for low, high in pairwise(edges):
        memory, events = advance(memory, judged(minutes[low:high], values[low:high]), delays, HOLD)
        pieces += [(type(event), event.at_ms, event.peak) for event in events]
    assert pieces == [(type(event), event.at_ms, event.peak) for event in at_once]
    assert memory == memory_at_once


@given(histories, st.integers(0, 20), st.integers(0, 20))
def test_raised_and_returned_alternate(history: list[tuple[int, float]], on: int, off: int) -> None:
    minutes = np.cumsum([step for step, _ in history]).tolist()
    readings = judged(minutes, [value for _, value in history])
    _memory, events = advance(NOTHING, readings, Delays(on * MINUTE, off * MINUTE), HOLD)
    kinds = [type(event) for event in events]
    assert kinds == [Raised, Returned] * (len(kinds) // 2) + [Raised] * (len(kinds) % 2)
    assert all(first.at_ms < second.at_ms for first, second in pairwise(events))
