"""Local days, and the day and night of an enclosure: from measured light, from a lamp's power, or from the schedule.

A wall-clock time that does not exist on a day (clocks go forward over it) is the instant of the change; one that comes
twice (clocks go back) is the first of the two.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from service.climate.ranges import DAY_MS, MINUTE_MS, Instants, Spans
from service.climate.series import LEAST_COVERAGE, Series, cover, merged, runs

WARM_UP_MIN: Final = 60
"""The day span begins this long after lights on (common practice, no source) [min]."""
SETTLING_MIN: Final = 120
"""The night span begins this long after lights off (common practice, no source) [min]."""
LIT_ABOVE_LUX: Final = 100.0
"""Default threshold of a light channel (common practice, no source) [lx]."""
LIT_ABOVE_WATT: Final = 5.0
"""Default threshold of a lamp's power channel (common practice, no source) [W]."""
LIGHT_BREAK_MIN: Final = 10
"""Shorter dark breaks join, shorter lit times are a torch or a door (common practice, no source) [min]."""
LAMP_BREAK_MIN: Final = 30
"""The same for a lamp's power: a thermostat may pulse it (common practice, no source) [min]."""

Span = tuple[int, int]
"""[start, end) in UTC milliseconds."""


def instant_of(day: date, wall: time, zone: ZoneInfo) -> int:
    """Return the instant of a wall-clock time on a local date [ms, UTC].

    A time that comes twice is its first; one that does not exist is the instant at which the clocks change.
    """
    naive = datetime.combine(day, wall)
    # With fold=0 a time that does not exist is taken with the offset before the change, so it lies after the change.
    seconds = int(naive.replace(tzinfo=zone).timestamp())
    shown = datetime.fromtimestamp(seconds, zone).replace(tzinfo=None, microsecond=naive.microsecond)
    if shown == naive:
        return seconds * 1000 + naive.microsecond // 1000
    low, high = int(naive.replace(tzinfo=zone, fold=1).timestamp()), seconds
    before = datetime.fromtimestamp(low, zone).utcoffset()
    while high - low > 1:
        middle = (low + high) // 2
        if datetime.fromtimestamp(middle, zone).utcoffset() == before:
            low = middle
        else:
            high = middle
    return high * 1000


def local_day(day: date, zone: ZoneInfo) -> Span:
    """Return the first instant of a local date and of the next one: 23, 24 or 25 hours apart, or as the zone has it."""
    return instant_of(day, time(0), zone), instant_of(day + timedelta(days=1), time(0), zone)


@dataclass(frozen=True)
class LightSchedule:
    """When an enclosure's lights go on and off, by the wall clock.

    Parameters
    ----------
    on, off : time
        Off at or before on lies on the next date: lights across midnight, reversed light.

    Raises
    ------
    ValueError
        If both are the same: lights that are never off, or never on, have no schedule.
    """

    on: time
    off: time

    def __post_init__(self) -> None:
        """Refuse a schedule that says neither day nor night."""
        if self.on == self.off:
            raise ValueError(
                f"lights go on and off at {self.on:%H:%M}, expected two times; leave out a schedule of none"
            )


@dataclass(frozen=True)
class Photoperiod:
    """The lit period that begins on a local date.

    Parameters
    ----------
    on_ms, off_ms, next_on_ms : int
        Lights on, off, and on again. With basis "none" the whole local day is [on_ms, off_ms). [ms, UTC]
    basis : str
        "light", "lamp power", "schedule" or "none" (an enclosure without lights).

    Raises
    ------
    ValueError
        If the three are out of order.
    """

    on_ms: int
    off_ms: int
    next_on_ms: int
    basis: str

    def __post_init__(self) -> None:
        """Refuse a night before its day."""
        if not self.on_ms <= self.off_ms <= self.next_on_ms:
            raise ValueError(f"lights on {self.on_ms}, off {self.off_ms}, on {self.next_on_ms}: expected in this order")


def photoperiod_without_lights(day: date, zone: ZoneInfo) -> Photoperiod:
    """Return the photoperiod of an enclosure without lights: the whole local day, and no night."""
    start, end = local_day(day, zone)
    return Photoperiod(start, end, end, "none")


def photoperiod_from_schedule(day: date, zone: ZoneInfo, schedule: LightSchedule) -> Photoperiod:
    """Return the lit period that the schedule begins on a local date; wall-clock times, also on days of 23 or 25 h."""
    tomorrow = day + timedelta(days=1)
    on = instant_of(day, schedule.on, zone)
    off = instant_of(day if schedule.off > schedule.on else tomorrow, schedule.off, zone)
    following = instant_of(tomorrow, schedule.on, zone)
    # Where the change of the clocks swallows a time, two of them may fall on the same instant.
    return Photoperiod(on, max(on, off), max(on, off, following), "schedule")


def lit_spans(series: Series, threshold: float, break_min: float, start: int, end: int) -> Spans:
    """Return when a light or power channel is above its threshold, short breaks joined, short flashes left out.

    Parameters
    ----------
    series : Series
        [lx or W]
    threshold : float
        Lit means above it; equal is dark. [lx or W]
    break_min : float
        Dark breaks and lit times shorter than this do not count. [min]
    start, end : int
        The time to look at. [ms, UTC]

    Returns
    -------
    ndarray of int64, shape (m, 2)
        [ms, UTC]
    """
    found = runs(series, float(np.nextafter(threshold, np.inf)), np.inf, start, end)
    if not len(found):
        return found
    shortest = int(break_min * MINUTE_MS)
    widened = merged(np.column_stack((found[:, 0], found[:, 1] + shortest)))
    joined = np.column_stack((widened[:, 0], widened[:, 1] - shortest))
    return joined[joined[:, 1] - joined[:, 0] >= shortest]


def photoperiod_from_measured(
    series: Series,
    threshold: float,
    break_min: float,
    basis: str,
    day: date,
    zone: ZoneInfo,
    schedule: LightSchedule | None = None,
) -> Photoperiod | None:
    """Return the longest lit period that a channel saw begin on a local date, or None when it saw none.

    Parameters
    ----------
    series : Series
        From shortly before the local date to the next lights on, as far as known. [lx or W]
    threshold, break_min, basis
        As in `lit_spans` and `Photoperiod`.
    schedule : LightSchedule, optional
        Gives lights off, or the next lights on, where the series ends before them; without it they are the end of the
        readings and 24 h after lights on.

    Returns
    -------
    Photoperiod or None
        None too when the channel covers less than 0.75 of the day so far, and when the lights were on all along: the
        next basis then says where the day lies, and the photoperiod check says what was seen.
    """
    start, end = local_day(day, zone)
    if not series.at.size:
        return None
    last = int(series.at[-1])
    if cover(series, [(start, min(end, max(start + 1, last)))]).coverage < LEAST_COVERAGE:
        return None
    spans = lit_spans(series, threshold, break_min, start - 2 * int(break_min * MINUTE_MS), end + DAY_MS)
    begun = spans[(spans[:, 0] >= start) & (spans[:, 0] < end)]
    if not len(begun):
        return None
    on, off = (int(edge) for edge in begun[np.argmax(begun[:, 1] - begun[:, 0])])
    planned = photoperiod_from_schedule(day, zone, schedule) if schedule else Photoperiod(on, off, on + DAY_MS, basis)
    if off > last:
        off = max(off, planned.off_ms)
    later = spans[spans[:, 0] >= off, 0]
    # A short second period of the same date is no new day: the next one begins on the next date.
    later = later[later >= end] if len(later) else later
    next_on = int(later[0]) if len(later) else planned.next_on_ms
    return Photoperiod(on, off, max(off, next_on), basis)


def photoperiod_of(
    day: date,
    zone: ZoneInfo,
    *,
    schedule: LightSchedule | None = None,
    light: Series | None = None,
    lit_above_lux: float = LIT_ABOVE_LUX,
    lamp_power: Series | None = None,
    lit_above_watt: float = LIT_ABOVE_WATT,
) -> Photoperiod:
    """Return the photoperiod of a local date: by light, else by lamp power, else by schedule, else without lights.

    Parameters
    ----------
    day, zone : date, ZoneInfo
    schedule : LightSchedule, optional
    light, lamp_power : Series, optional
        See `photoperiod_from_measured`. [lx], [W]
    lit_above_lux, lit_above_watt : float
        Thresholds. [lx], [W]
    """
    measured = (
        (light, lit_above_lux, LIGHT_BREAK_MIN, "light"),
        (lamp_power, lit_above_watt, LAMP_BREAK_MIN, "lamp power"),
    )
    for series, threshold, break_min, basis in measured:
        if series is not None:
            found = photoperiod_from_measured(series, threshold, break_min, basis, day, zone, schedule)
            if found is not None:
                return found
    if schedule is not None:
        return photoperiod_from_schedule(day, zone, schedule)
    return photoperiod_without_lights(day, zone)


def day_span(photoperiod: Photoperiod, warm_up_min: float = WARM_UP_MIN) -> Span:
    """Return [lights on + warm-up, lights off), or the whole local day without lights; it may be empty [ms, UTC]."""
    if photoperiod.basis == "none":
        return photoperiod.on_ms, photoperiod.off_ms
    start = photoperiod.on_ms + int(warm_up_min * MINUTE_MS)
    return start, max(start, photoperiod.off_ms)


def night_span(photoperiod: Photoperiod, settling_min: float = SETTLING_MIN) -> Span:
    """Return [lights off + settling, next lights on); empty without lights [ms, UTC]."""
    start = photoperiod.off_ms + int(settling_min * MINUTE_MS)
    return start, start if photoperiod.basis == "none" else max(start, photoperiod.next_on_ms)


def _within_any(at_ms: npt.ArrayLike, spans: Sequence[Span]) -> npt.NDArray[np.bool_]:
    """Say for each instant whether one of the spans holds it."""
    at = np.asarray(at_ms, dtype=np.int64)
    rows = merged(spans)
    if not len(rows):
        return np.zeros(at.shape, dtype=np.bool_)
    index = np.searchsorted(rows[:, 0], at, "right") - 1
    return np.asarray((index >= 0) & (at < rows[np.maximum(index, 0), 1]))


def lit_at(at_ms: npt.ArrayLike | Instants, photoperiods: Sequence[Photoperiod]) -> npt.NDArray[np.bool_]:
    """Say for each instant whether the lights are on; False throughout without lights. Any shape [ms, UTC]."""
    return _within_any(at_ms, [(p.on_ms, p.off_ms) for p in photoperiods if p.basis != "none"])


def in_day_span(
    at_ms: npt.ArrayLike | Instants, photoperiods: Sequence[Photoperiod], warm_up_min: float = WARM_UP_MIN
) -> npt.NDArray[np.bool_]:
    """Say for each instant whether it lies in a day span. Any shape [ms, UTC]."""
    return _within_any(at_ms, [day_span(p, warm_up_min) for p in photoperiods])


def in_night_span(
    at_ms: npt.ArrayLike | Instants, photoperiods: Sequence[Photoperiod], settling_min: float = SETTLING_MIN
) -> npt.NDArray[np.bool_]:
    """Say for each instant whether it lies in a night span. Any shape [ms, UTC]."""
    return _within_any(at_ms, [night_span(p, settling_min) for p in photoperiods])
