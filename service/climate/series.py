"""Readings on an irregular time axis: how long each stands, where the gaps are, and time-weighted statistics.

A reading stands until the next one, at most its hold; what lies beyond is a gap. A reading whose value is NaN
(approximate, or physically impossible, masked by the caller) ends the one before it and opens a gap. A probe that
reports faster counts no more.
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate
from typing import Final

import numpy as np
import numpy.typing as npt

from service.climate.ranges import MINUTE_MS, Floats, Instants, Spans

CADENCE_READINGS: Final = 200
"""The cadence is the median spacing of this many last readings (common practice, no source)."""
UNKNOWN_CADENCE_MS: Final = MINUTE_MS
"""Taken when fewer than two readings exist; the hold is then its floor of 5 min anyway [ms]."""
HOLD_CADENCES: Final = 2.5
HOLD_FLOOR_MS: Final = 5 * MINUTE_MS
LEAST_COVERAGE: Final = 0.75
"""Below this share of covered time a check answers "no data" (common practice, no source)."""

_FEW: Final = 48
"""So few values are sorted sooner as a list."""

SpansLike = Spans | Sequence[tuple[int, int]]


@dataclass(frozen=True, eq=False)
class Series:
    """One channel's readings in order of time.

    Parameters
    ----------
    at : ndarray of int64, shape (n,)
        Strictly increasing. [ms, UTC]
    value : ndarray of float64, shape (n,)
        NaN counts as a gap. [the channel's unit]
    cadence_ms : int
        Declared spacing, or that of `cadence_of`; above zero. [ms]

    Raises
    ------
    ValueError
        If the shapes differ, a time does not follow the one before it, or the cadence is not above zero.
    """

    at: Instants
    value: Floats
    cadence_ms: int

    def __post_init__(self) -> None:
        """Refuse what would give a wrong statistic later."""
        if self.at.ndim != 1 or self.at.shape != self.value.shape:
            raise ValueError(f"at has shape {self.at.shape}, value {self.value.shape}, expected one dimension alike")
        if self.cadence_ms <= 0:
            raise ValueError(f"cadence_ms is {self.cadence_ms}, expected above 0")
        backward = self.at[1:] <= self.at[:-1]
        if backward.any():
            i = int(np.argmax(backward)) + 1
            raise ValueError(f"at[{i}] is {self.at[i]}, expected later than {self.at[i - 1]} before it")

    @cached_property
    def stands_ms(self) -> Instants:
        """How long each reading stands: until the next one, at most its hold; shape (n,) [ms]."""
        hold = hold_ms(self.cadence_ms)
        lasting = np.full(self.at.shape, hold, dtype=np.int64)
        np.minimum(np.diff(self.at), hold, out=lasting[:-1])
        return lasting

    @cached_property
    def is_known(self) -> bool:
        """Whether every value is known."""
        return not np.isnan(self.value).any()

    def between(self, start: int, end: int) -> "Series":
        """Return the readings of [start, end) and the one that stands at its start. [ms, UTC]."""
        first = max(0, int(self.at.searchsorted(start, "right")) - 1)
        last = int(self.at.searchsorted(end, "left"))
        return Series(self.at[first:last], self.value[first:last], self.cadence_ms)


def series_of(at: npt.ArrayLike, value: npt.ArrayLike, cadence_ms: int | None = None) -> Series:
    """Return a series of readings that may come in any order.

    Parameters
    ----------
    at : array_like, shape (n,)
        Each time once. [ms, UTC]
    value : array_like, shape (n,)
        NaN counts as a gap.
    cadence_ms : int, optional
        Declared spacing; by default that of `cadence_of`. [ms]

    Raises
    ------
    ValueError
        If the shapes differ or a time comes twice.
    """
    times = np.asarray(at, dtype=np.int64)
    values = np.asarray(value, dtype=np.float64)
    if times.shape == values.shape and np.any(times[1:] < times[:-1]):
        order = np.argsort(times, kind="stable")
        times, values = times[order], values[order]
    return Series(times, values, cadence_of(times) if cadence_ms is None else cadence_ms)


def cadence_of(at: Instants) -> int:
    """Return the median spacing of the last 200 readings, 60 s when fewer than two exist [ms]."""
    spacing = np.diff(at[-CADENCE_READINGS:])
    return max(1, int(np.median(spacing))) if spacing.size else UNKNOWN_CADENCE_MS


def median_of(values: Floats) -> float:
    """Return the median of a few known values, at least one: for so few, sorting a list is the shortest way."""
    ordered = sorted(values.tolist())
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2


def hold_ms(cadence_ms: int) -> int:
    """Return how long a reading stands with no next one: max(2.5 cadences, 5 min) [ms]."""
    return max(int(HOLD_CADENCES * cadence_ms), HOLD_FLOOR_MS)


def merged(spans: SpansLike) -> Spans:
    """Return the spans in order, without empty ones, those that touch or overlap made one; shape (m, 2)."""
    rows = np.asarray(spans, dtype=np.int64).reshape(-1, 2)
    if len(rows) == 1 and rows[0, 1] > rows[0, 0]:
        # By far the most frequent case.
        return rows
    rows = rows[rows[:, 1] > rows[:, 0]]
    if len(rows) < 2:  # noqa: PLR2004 - one span cannot overlap
        return rows
    rows = rows[np.argsort(rows[:, 0], kind="stable")]
    furthest = np.maximum.accumulate(rows[:, 1])
    opens = np.concatenate(([True], rows[1:, 0] > furthest[:-1]))
    last = np.concatenate((np.flatnonzero(opens)[1:] - 1, [len(rows) - 1]))
    return np.column_stack((rows[opens, 0], furthest[last]))


def without(spans: SpansLike, removed: SpansLike) -> Spans:
    """Return the time of `spans` that lies in none of `removed`; shape (m, 2)."""
    kept, cut = merged(spans), merged(removed)
    if not len(cut) or not len(kept):
        return kept
    low, high = int(min(kept[0, 0], cut[0, 0])), int(max(kept[-1, 1], cut[-1, 1]))
    edges = np.concatenate(([low], cut.ravel(), [high])).reshape(-1, 2)
    pieces = [(max(a, c), min(b, d)) for a, b in kept.tolist() for c, d in edges.tolist() if max(a, c) < min(b, d)]
    return np.asarray(pieces, dtype=np.int64).reshape(-1, 2)


def length_ms(spans: SpansLike) -> int:
    """Return the time that the spans hold, counted once where they overlap [ms]."""
    rows = merged(spans)
    return int((rows[:, 1] - rows[:, 0]).sum())


def _standing(series: Series, start: int, end: int) -> tuple[Instants, Instants, Floats]:
    """Return when the readings of a window begin and cease to stand, and their values."""
    first = max(0, int(series.at.searchsorted(start, "right")) - 1)
    last = int(series.at.searchsorted(end, "left"))
    begins = series.at[first:last]
    return begins, begins + series.stands_ms[first:last], series.value[first:last]


@dataclass(frozen=True, eq=False)
class Cover:
    """What is known of some spans: each value with the time for which it stood there.

    Parameters
    ----------
    value : ndarray of float64, shape (n,)
        Known values only, in order of time.
    weight : ndarray of int64, shape (n,)
        How long each stood within the spans, above zero. [ms]
    span_ms : int
        The length of the spans. [ms]
    """

    value: Floats
    weight: Instants
    span_ms: int

    @cached_property
    def covered_ms(self) -> int:
        """Time with a known value [ms]."""
        return int(self.weight.sum())

    @property
    def coverage(self) -> float:
        """Covered time over length, 0 to 1; 0 for spans with no length."""
        return self.covered_ms / self.span_ms if self.span_ms else 0.0

    @cached_property
    def _ordered(self) -> tuple[Floats, Instants]:
        order = np.argsort(self.value)
        return self.value[order], np.cumsum(self.weight[order])

    def mean(self) -> float:
        """Return the time-weighted mean, NaN when nothing is covered."""
        return float(self.value @ self.weight / self.covered_ms) if self.covered_ms else float("nan")

    def percentile(self, percent: float) -> float:
        """Return the value below which that percentage of the covered time lies, NaN when nothing is covered.

        The inverse of the distribution of time, the middle of two values where it is flat (definition 2 of
        Hyndman & Fan, The American Statistician 50 (1996) 361-365, with time for counts).
        """
        if not self.covered_ms:
            return float("nan")
        values, until = self._ordered
        asked = percent * self.covered_ms / 100
        if self.value.size <= _FEW:
            return self._percentile_of_few(asked)
        i = min(int(np.searchsorted(until, asked, "left")), len(values) - 1)
        if until[i] == asked and i + 1 < len(values):
            return float((values[i] + values[i + 1]) / 2)
        return float(values[i])

    def _percentile_of_few(self, asked: float) -> float:
        """Return the same without arrays, which are the longer way for so few."""
        ordered = sorted(zip(self.value.tolist(), self.weight.tolist(), strict=True))
        until = list(accumulate(weight for _, weight in ordered))
        i = min(bisect_left(until, asked), len(until) - 1)
        if until[i] == asked and i + 1 < len(until):
            return (ordered[i][0] + ordered[i + 1][0]) / 2
        return ordered[i][0]

    @cached_property
    def _extremes(self) -> tuple[float, float]:
        """The least and the greatest value; of none, ends that hold nothing."""
        return (float(self.value.min()), float(self.value.max())) if self.value.size else (np.inf, -np.inf)

    def within_ms(self, low: float, high: float) -> int:
        """Return the time with a value in [low, high] [ms]."""
        least, greatest = self._extremes
        if low <= least and greatest <= high:
            return self.covered_ms
        return int(self.weight[(self.value >= low) & (self.value <= high)].sum())

    def above_ms(self, limit: float) -> int:
        """Return the time with a value above the limit; equal is not above [ms]."""
        return int(self.weight[self.value > limit].sum()) if self._extremes[1] > limit else 0

    def below_ms(self, limit: float) -> int:
        """Return the time with a value below the limit; equal is not below [ms]."""
        return int(self.weight[self.value < limit].sum()) if self._extremes[0] < limit else 0

    def share_within(self, low: float, high: float) -> float:
        """Return the share of covered time in [low, high], NaN when nothing is covered."""
        return self.within_ms(low, high) / self.covered_ms if self.covered_ms else float("nan")


def cover(series: Series, spans: SpansLike) -> Cover:
    """Return the values that stand within spans, each with its time.

    Parameters
    ----------
    series : Series
        May reach beyond the spans; a reading before them still stands at their start, within its hold.
    spans : ndarray, shape (m, 2), or pairs
        Rows [start, end); overlaps count once. [ms, UTC]
    """
    if len(spans) == 1 and spans[0][0] < spans[0][1]:
        return _cover_span(series, int(spans[0][0]), int(spans[0][1]))
    rows = merged(spans)
    if not len(rows):
        return Cover(np.empty(0), np.empty(0, dtype=np.int64), 0)
    start, end = int(rows[0, 0]), int(rows[-1, 1])
    begins, ends, value = _standing(series, start, end)
    # Time of the spans that lies before an instant: piecewise linear with slopes 0 and 1, so exact.
    edges = (rows - start).ravel().astype(np.float64)
    elapsed = np.cumsum(np.column_stack((np.zeros(len(rows)), rows[:, 1] - rows[:, 0])).ravel())
    weight = np.rint(np.interp(ends - start, edges, elapsed) - np.interp(begins - start, edges, elapsed)).astype(
        np.int64
    )
    known = (weight > 0) & ~np.isnan(value)
    return Cover(value[known], weight[known], int((rows[:, 1] - rows[:, 0]).sum()))


def _cover_span(series: Series, start: int, end: int) -> Cover:
    """Return the same of one span: only its first and its last reading may stand beyond it."""
    first = max(0, int(series.at.searchsorted(start, "right")) - 1)
    last = int(series.at.searchsorted(end, "left"))
    value, weight = series.value[first:last], series.stands_ms[first:last].copy()
    if weight.size:
        weight[-1] = min(int(weight[-1]), end - int(series.at[last - 1]))
        weight[0] -= max(0, start - int(series.at[first]))
        if not series.is_known or weight[0] <= 0:
            known = (weight > 0) & ~np.isnan(value)
            value, weight = value[known], weight[known]
    return Cover(value, weight, end - start)


def coverage(series: Series, start: int, end: int) -> float:
    """Return the share of [start, end) with a known value, 0 to 1. [ms, UTC]."""
    return cover(series, [(start, end)]).coverage


def time_weighted_mean(series: Series, spans: SpansLike) -> float:
    """Return the mean over the covered time of spans, NaN when nothing is covered."""
    return cover(series, spans).mean()


def time_weighted_median(series: Series, spans: SpansLike) -> float:
    """Return the median over the covered time of spans, NaN when nothing is covered."""
    return cover(series, spans).percentile(50)


def time_weighted_percentile(series: Series, percent: float, spans: SpansLike) -> float:
    """Return a percentile (0 to 100) over the covered time of spans, NaN when nothing is covered."""
    return cover(series, spans).percentile(percent)


def share_within(series: Series, low: float, high: float, spans: SpansLike) -> float:
    """Return the share of the covered time of spans with a value in [low, high], NaN when nothing is covered."""
    return cover(series, spans).share_within(low, high)


def minutes_above(series: Series, limit: float, spans: SpansLike) -> float:
    """Return the covered minutes with a value above the limit; equal is not above."""
    return cover(series, spans).above_ms(limit) / MINUTE_MS


def minutes_below(series: Series, limit: float, spans: SpansLike) -> float:
    """Return the covered minutes with a value below the limit; equal is not below."""
    return cover(series, spans).below_ms(limit) / MINUTE_MS


def runs(series: Series, low: float, high: float, start: int, end: int) -> Spans:
    """Return the unbroken times in [start, end) with a value in [low, high]; a gap breaks. Shape (m, 2)."""
    begins, ends, value = _standing(series, start, end)
    begins, ends = np.maximum(begins, start), np.minimum(ends, end)
    inside = (value >= low) & (value <= high) & (ends > begins)
    begins, ends = begins[inside], ends[inside]
    if not len(begins):
        return np.empty((0, 2), dtype=np.int64)
    broken = begins[1:] > ends[:-1]
    return np.column_stack((begins[np.concatenate(([True], broken))], ends[np.concatenate((broken, [True]))]))


def longest_run(series: Series, low: float, high: float, start: int, end: int) -> float:
    """Return the longest unbroken time in [start, end) with a value in [low, high] [min]."""
    found = runs(series, low, high, start, end)
    return float((found[:, 1] - found[:, 0]).max() / MINUTE_MS) if len(found) else 0.0


def gaps(series: Series, start: int, end: int) -> Spans:
    """Return the times in [start, end) with no known value; shape (m, 2). [ms, UTC]."""
    first = max(0, int(series.at.searchsorted(start, "right")) - 1)
    last = int(series.at.searchsorted(end, "left"))
    at, value, hold = series.at[first:last], series.value[first:last], hold_ms(series.cadence_ms)
    reaches = at.size and at[0] <= start and end <= at[-1] + hold
    if reaches and not (np.diff(at) > hold).any() and not np.isnan(value).any():
        # The usual day: each reading stands until the next.
        return np.empty((0, 2), dtype=np.int64)
    return without([(start, end)], runs(series, -np.inf, np.inf, start, end))


def pair(first: Series, second: Series) -> tuple[Instants, Floats, Floats]:
    """Return both series at the times of the first.

    Between two known readings of the second that lie no further apart than its hold, its value runs in a straight line,
    so that a slow channel does not lag behind a fast one; elsewhere its last known reading stands for its hold.

    Returns
    -------
    at : ndarray of int64, shape (n,)
        The times of the first series. [ms, UTC]
    first, second : ndarray of float64, shape (n,)
        NaN where a value is not known.
    """
    if first.at is second.at or np.array_equal(first.at, second.at):
        return first.at, first.value, second.value
    known = ~np.isnan(second.value)
    at, value = second.at[known], second.value[known]
    if not at.size:
        return first.at, first.value, np.full(first.at.shape, np.nan)
    hold = hold_ms(second.cadence_ms)
    after = at.searchsorted(first.at)
    next_at, last_at = at[np.minimum(after, len(at) - 1)], at[np.maximum(after - 1, 0)]
    met = next_at == first.at
    bracketed = (after > 0) & (after < len(at)) & (next_at - last_at <= hold)
    straight = np.asarray(np.interp(first.at - at[0], at - at[0], value), dtype=np.float64)
    before = after - 1 + met.astype(np.int64)
    last = np.maximum(before, 0)
    standing = np.where((before >= 0) & (first.at - at[last] < hold), value[last], np.nan)
    return first.at, first.value, np.where(bracketed | met, straight, standing)
