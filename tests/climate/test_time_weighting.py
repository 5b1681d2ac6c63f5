import math

import numpy as np
import pytest
from climate_builders import steps
from hypothesis import given
from hypothesis import strategies as st

from service.climate.ranges import MINUTE_MS
from service.climate.series import (
    Cover,
    Series,
    cadence_of,
    cover,
    coverage,
    gaps,
    hold_ms,
    longest_run,
    merged,
    minutes_above,
    minutes_below,
    pair,
    series_of,
    share_within,
    time_weighted_mean,
    time_weighted_median,
    time_weighted_percentile,
    without,
)

SPAN = (0, 240 * MINUTE_MS)


@st.composite
def irregular_series(draw: st.DrawFn) -> Series:
    spacing = draw(st.lists(st.integers(1, 20 * MINUTE_MS), min_size=1, max_size=60))
    at = np.cumsum(spacing)
    values = draw(st.lists(st.integers(0, 40), min_size=len(at), max_size=len(at)))
    unknown = draw(st.lists(st.booleans(), min_size=len(at), max_size=len(at)))
    value = np.where(np.array(unknown) & (np.arange(len(at)) % 3 == 0), np.nan, np.array(values, dtype=float))
    return series_of(at, value, draw(st.integers(1000, 5 * MINUTE_MS)))


def statistics(series: Series, spans: object) -> list[float]:
    known = cover(series, spans)
    return [
        known.coverage,
        known.mean(),
        known.percentile(50),
        known.percentile(5),
        known.percentile(99),
        known.share_within(10, 30),
        minutes_above(series, 20, spans),
    ]


def test_a_reading_stands_until_the_next_one() -> None:
    series = steps((0, 10), (1, 20), (4, 30))
    assert time_weighted_mean(series, [(0, 5 * MINUTE_MS)]) == pytest.approx((10 + 3 * 20 + 30) / 5)


def test_a_reading_stands_at_most_its_hold() -> None:
    series = steps((0, 10), (60, 20), cadence_ms=4 * MINUTE_MS)
    assert hold_ms(4 * MINUTE_MS) == 10 * MINUTE_MS
    assert gaps(series, 0, 60 * MINUTE_MS).tolist() == [[10 * MINUTE_MS, 60 * MINUTE_MS]]
    assert coverage(series, 0, 60 * MINUTE_MS) == pytest.approx(1 / 6)


def test_the_hold_of_a_fast_probe_is_five_minutes() -> None:
    assert hold_ms(1000) == 5 * MINUTE_MS


def test_an_unknown_value_opens_a_gap_until_the_next_reading() -> None:
    series = steps((0, 10), (2, np.nan), (3, 30))
    assert gaps(series, 0, 4 * MINUTE_MS).tolist() == [[2 * MINUTE_MS, 3 * MINUTE_MS]]


def test_a_reading_before_the_span_still_stands_at_its_start() -> None:
    series = steps((0, 10), (4, 20))
    assert time_weighted_mean(series, [(3 * MINUTE_MS, 5 * MINUTE_MS)]) == 15


def test_a_faster_probe_counts_no_more() -> None:
    fast = [(m, 30.0) for m in range(60, 120)]
    series = steps((0, 10), (5, 10), *((m, 10.0) for m in range(10, 60, 5)), *fast)
    assert time_weighted_mean(series, [(0, 120 * MINUTE_MS)]) == 20


def test_the_median_of_two_equal_times_is_the_middle() -> None:
    assert time_weighted_median(steps((0, 10), (2, 20)), [(0, 4 * MINUTE_MS)]) == 15


def test_percentiles_weigh_time() -> None:
    series = steps((0, 10), (1, 20), (2, 30), (3, 40))
    assert time_weighted_percentile(series, 99, [(0, 4 * MINUTE_MS)]) == 40
    assert time_weighted_percentile(series, 20, [(0, 4 * MINUTE_MS)]) == 10


def test_shares_and_minutes_take_an_equal_limit_as_within() -> None:
    series = steps((0, 10), (1, 20), (2, 30))
    span = [(0, 3 * MINUTE_MS)]
    assert share_within(series, 10, 20, span) == pytest.approx(2 / 3)
    assert minutes_above(series, 20, span) == 1
    assert minutes_below(series, 20, span) == 1


def test_several_spans_count_what_lies_in_each() -> None:
    series = steps(*((m, float(m)) for m in range(10)))
    spans = [(1 * MINUTE_MS, 3 * MINUTE_MS), (5 * MINUTE_MS, 6 * MINUTE_MS), (2 * MINUTE_MS, 3 * MINUTE_MS)]
    known = cover(series, spans)
    assert known.value.tolist() == [1, 2, 5]
    assert known.weight.tolist() == [MINUTE_MS] * 3
    assert known.span_ms == 3 * MINUTE_MS


def test_a_gap_breaks_the_longest_run() -> None:
    series = steps((0, 95), (1, 95), (3, np.nan), (4, 95), (5, 95), (6, 50))
    assert longest_run(series, 90, np.inf, 0, 7 * MINUTE_MS) == 3


def test_the_cadence_is_that_of_the_last_200_readings() -> None:
    at = np.concatenate((np.arange(1000) * 1000, 1_000_000 + np.arange(1, 201) * 30_000))
    assert cadence_of(at) == 30_000
    assert cadence_of(at[:1]) == MINUTE_MS


def test_nothing_is_known_of_an_empty_series() -> None:
    empty = series_of([], [])
    assert coverage(empty, *SPAN) == 0
    assert np.isnan(time_weighted_median(empty, [SPAN]))
    assert gaps(empty, *SPAN).tolist() == [list(SPAN)]
    assert longest_run(empty, 0, 1, *SPAN) == 0


def test_a_time_that_comes_twice_is_refused() -> None:
    with pytest.raises(ValueError, match=r"^at\[2\] is 60000, expected later than 60000 before it$"):
        steps((0, 1), (1, 2), (1, 3))


def test_channels_of_one_probe_are_paired_reading_by_reading() -> None:
    humidity, temperature = steps((0, 50), (1, 60)), steps((0, 20), (1, 21))
    assert pair(humidity, temperature)[2].tolist() == [20, 21]


def test_a_slow_channel_does_not_lag_behind_a_fast_one() -> None:
    fast = steps(*((m, 50.0) for m in range(9)))
    slow = steps((0, 20), (4, 24), (8, 28), cadence_ms=4 * MINUTE_MS)
    assert pair(fast, slow)[2].tolist() == [20, 21, 22, 23, 24, 25, 26, 27, 28]


def test_pairing_reaches_no_further_than_the_hold() -> None:
    fast = steps(*((m, 50.0) for m in range(0, 40, 2)))
    slow = steps((0, 20), (30, 30))
    matched = pair(fast, slow)[2]
    assert matched[:3].tolist() == [20, 20, 20]
    assert np.isnan(matched[3:15]).all()
    assert matched[15] == 30


@given(irregular_series())
def test_coverage_lies_between_nothing_and_everything(series: Series) -> None:
    known = coverage(series, *SPAN)
    assert 0 <= known <= 1
    uncovered = gaps(series, *SPAN)
    assert known == pytest.approx(1 - (uncovered[:, 1] - uncovered[:, 0]).sum() / (SPAN[1] - SPAN[0]))


@given(irregular_series(), st.data())
def test_statistics_stay_when_a_reading_is_repeated_inside_its_hold(series: Series, data: st.DataObject) -> None:
    i = data.draw(st.integers(0, len(series.at) - 1))
    following = series.at[i + 1] if i + 1 < len(series.at) else SPAN[1]
    if following - series.at[i] < 2 or following - series.at[i] > hold_ms(series.cadence_ms):
        return
    again = data.draw(st.integers(int(series.at[i]) + 1, int(following) - 1))
    at, value = np.insert(series.at, i + 1, again), np.insert(series.value, i + 1, series.value[i])
    spans = [(0, min(SPAN[1], int(series.at[-1])))]
    assert statistics(Series(at, value, series.cadence_ms), spans) == pytest.approx(
        statistics(series, spans), nan_ok=True
    )


@given(irregular_series(), st.randoms())
def test_statistics_stay_when_readings_arrive_in_another_order(series: Series, shuffle: object) -> None:
    order = list(range(len(series.at)))
    shuffle.shuffle(order)
    shuffled = series_of(series.at[order], series.value[order], series.cadence_ms)
    assert statistics(shuffled, [SPAN]) == pytest.approx(statistics(series, [SPAN]), nan_ok=True)


@given(st.floats(0, 40), st.integers(1, 4), st.integers(1, 4))
def test_statistics_stay_when_the_cadence_changes_between_equal_values(value: float, one: int, other: int) -> None:
    span = [(0, 120 * MINUTE_MS)]
    steady = steps(*((m, value) for m in range(0, 120, one)))
    changed = steps(*((m, value) for m in range(0, 60, one)), *((m, value) for m in range(60, 120, other)))
    assert statistics(changed, span) == pytest.approx(statistics(steady, span))


spans_strategy = st.lists(st.tuples(st.integers(0, 100), st.integers(0, 100)), max_size=6)


def members(spans: object) -> set[int]:
    return {t for start, end in spans for t in range(start, end)}


@given(spans_strategy, spans_strategy)
def test_spans_are_merged_and_cut_like_sets_of_instants(kept: list, cut: list) -> None:
    assert members(merged(kept).tolist()) == members(kept)
    assert members(without(kept, cut).tolist()) == members(kept) - members(cut)


@given(irregular_series(), spans_strategy)
def test_several_spans_add_up_to_their_parts(series: Series, pairs: list) -> None:
    spans = merged([(a * MINUTE_MS, b * MINUTE_MS) for a, b in pairs])
    parts = [cover(series, [tuple(s)]) for s in spans.tolist()]
    whole = cover(series, spans)
    assert whole.covered_ms == sum(p.covered_ms for p in parts)
    assert whole.within_ms(10, 30) == sum(p.within_ms(10, 30) for p in parts)


@given(irregular_series(), st.integers(-MINUTE_MS, 300 * MINUTE_MS), st.integers(1, 300 * MINUTE_MS))
def test_what_is_known_of_a_span_is_what_each_reading_stands_for_in_it(series: Series, start: int, length: int) -> None:
    end, hold, at = start + length, hold_ms(series.cadence_ms), series.at.tolist()
    until = [min(a + hold, following) for a, following in zip(at, [*at[1:], at[-1] + hold], strict=True)]
    stood = [(v, min(b, end) - max(a, start)) for a, b, v in zip(at, until, series.value.tolist(), strict=True)]
    expected = [(v, ms) for v, ms in stood if ms > 0 and not np.isnan(v)]
    known = cover(series, [(start, end)])
    assert list(zip(known.value.tolist(), known.weight.tolist(), strict=True)) == expected
    assert sum(b - a for a, b in gaps(series, start, end).tolist()) == length - known.covered_ms


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(1, 4)), min_size=1, max_size=120), st.integers(0, 100))
def test_a_percentile_is_the_inverse_of_the_distribution_of_time(known: list[tuple[int, int]], percent: int) -> None:
    of = Cover(np.array([float(v) for v, _ in known]), np.array([ms for _, ms in known]), 1000)
    unrolled = sorted(v for v, ms in known for _ in range(ms))
    asked = percent * len(unrolled) / 100
    first = unrolled[max(0, math.ceil(asked) - 1)]
    after = unrolled[min(len(unrolled) - 1, math.ceil(asked))]
    # Only at the very edge between two readings is it flat.
    assert of.percentile(percent) == ((first + after) / 2 if asked == math.ceil(asked) and asked else first)
