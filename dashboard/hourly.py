"""Hourly medians of a channel by local hour, worked out at once for a span and remembered day by day."""

import threading
from collections import OrderedDict
from collections.abc import Sequence
from datetime import date, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
from sqlmodel import Session

from service.climate.day_cycle import local_day
from service.climate.ranges import DAY_MS, HOUR_MS, Floats, Instants
from service.climate.series import hold_ms
from service.model import Flag, from_ms
from service.store.assessments import DayMarks, Mark
from service.store.facts import ChannelFact, PlacementFact
from service.store.history import corrected
from service.store.readings import read_readings

HOURS: Final = 24
LEAST_COVERED: Final = 0.5
"""Share of an hour that readings must cover for its median to count (common practice, no source)."""
_UNFIT: Final = int(Flag.unfit())
_PLAIN_CADENCE_MS: Final = 60_000
_MOST_DAYS: Final = 60_000
_Key = tuple[int, int, date]
_Known = tuple[tuple[int, tuple[Mark, ...]], Floats]


def local_offsets(start_ms: int, end_ms: int, zone: ZoneInfo) -> tuple[Instants, Instants]:
    """Return when the offset of local time changes within [start, end), and the offsets.

    Parameters
    ----------
    start_ms, end_ms : int
        [ms, UTC]
    zone : ZoneInfo

    Returns
    -------
    since : ndarray of int64, shape (n,)
        The first is `start_ms`. [ms, UTC]
    offset : ndarray of int64, shape (n,)
        Local time less UTC from then on. [ms]
    """
    since, offset = [start_ms], [_offset(start_ms, zone)]
    for begin in range(start_ms, end_ms, DAY_MS):
        end = min(begin + DAY_MS, end_ms)
        if _offset(end, zone) == offset[-1]:
            continue
        low, high = begin, end
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if _offset(middle, zone) == offset[-1] else (low, middle)
        since.append(high)
        offset.append(_offset(high, zone))
    return np.array(since, dtype=np.int64), np.array(offset, dtype=np.int64)


def _offset(at_ms: int, zone: ZoneInfo) -> int:
    shift = from_ms(at_ms).astimezone(zone).utcoffset() or timedelta()
    return shift // timedelta(milliseconds=1)


def hourly_medians(at: Instants, value: Floats, cadence_ms: int, days: Sequence[date], zone: ZoneInfo) -> Floats:
    """Return the time-weighted median of each local hour of some days.

    Parameters
    ----------
    at : ndarray of int64, shape (n,)
        Strictly increasing. [ms, UTC]
    value : ndarray of float64, shape (n,)
        NaN is a gap. [unit]
    cadence_ms : int
        Says how long a reading stands; it counts for the hour in which it was taken. [ms]
    days : sequence of date
        Local, in order, none left out.
    zone : ZoneInfo

    Returns
    -------
    ndarray of float64, shape (days, 24)
        NaN where readings cover less than half of the hour. The hour that comes twice when clocks go back is one,
        the one that they leave out is unknown. [unit]
    """
    medians = np.full((len(days), HOURS), np.nan)
    if len(at) == 0 or not days:
        return medians
    start, end = local_day(days[0], zone)[0], local_day(days[-1], zone)[1]
    low, high = np.searchsorted(at, (start, end))
    stands = np.minimum(np.diff(at, append=at[-1] + cadence_ms), hold_ms(cadence_ms))[low:high]
    at, value = at[low:high], value[low:high]
    since, offset = local_offsets(start, end, zone)
    local = at + offset[np.searchsorted(since, at, "right") - 1]
    first = (days[0] - date(1970, 1, 1)).days
    cell = (local // DAY_MS - first) * HOURS + local % DAY_MS // HOUR_MS
    known = ~np.isnan(value)
    which, found = _weighted_medians(cell[known], value[known], stands[known])
    medians.reshape(-1)[which] = found
    return medians


def _weighted_medians(
    cell: npt.NDArray[np.int64], value: Floats, weight: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.int64], Floats]:
    """Return the cells with enough weight, and the weighted median of each."""
    order = np.lexsort((value, cell))
    cell, value, weight = cell[order], value[order], weight[order]
    if not len(cell):
        return cell, value
    first = np.flatnonzero(np.concatenate(([True], cell[1:] != cell[:-1])))
    total = np.add.reduceat(weight, first)
    running = np.cumsum(weight)
    before = np.concatenate(([0], running))[first]
    # As `Cover.percentile` has it: where half of the time is reached, between two values where it is reached exactly.
    half = before + total / 2
    middle = np.searchsorted(running, half)
    following = np.minimum(middle + 1, len(value) - 1)
    median = np.where(running[middle] == half, (value[middle] + value[following]) / 2, value[middle])
    enough = total >= LEAST_COVERED * HOUR_MS
    return cell[first][enough], median[enough]


class HourlyMedians:
    """Hourly medians of placed channels; a day is worked out again when a reading of it came. Safe between threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._known: OrderedDict[_Key, _Known] = OrderedDict()

    def of(
        self,
        session: Session,
        facts_version: int,
        channel: ChannelFact,
        placement: PlacementFact,
        days: Sequence[date],
        zone: ZoneInfo,
    ) -> Floats:
        """Return the medians of a channel while it stood in a place, shape (days, 24).

        Parameters
        ----------
        session : Session
            Of `Store.read`.
        facts_version : int
            What is remembered of another version (another calibration, say) is forgotten.
        channel, placement : ChannelFact, PlacementFact
        days : sequence of date
            Local, in order, none left out.
        zone : ZoneInfo
        """
        marks = DayMarks(session, [channel.id])
        terms = [(facts_version, tuple(marks.of(channel.id, *local_day(day, zone)))) for day in days]
        keys = [(channel.id, placement.id, day) for day in days]
        with self._lock:
            held = [self._known.get(key) for key in keys]
        missing = [n for n, (known, term) in enumerate(zip(held, terms, strict=True)) if not known or known[0] != term]
        rows = [np.full(HOURS, np.nan) if known is None else known[1] for known in held]
        if missing:
            # One read from the first to the last of them: mostly it is the last day alone, or all.
            span = range(missing[0], missing[-1] + 1)
            fresh = _read(session, channel, placement, [days[n] for n in span], zone)
            for row, n in zip(fresh, span, strict=True):
                rows[n] = row
            self._remember([(keys[n], (terms[n], rows[n])) for n in span])
        return np.array(rows).reshape(len(days), HOURS)

    def _remember(self, found: list[tuple[_Key, _Known]]) -> None:
        with self._lock:
            for key, known in found:
                self._known[key] = known
                self._known.move_to_end(key)
            while len(self._known) > _MOST_DAYS:
                self._known.popitem(last=False)


def _read(
    session: Session, channel: ChannelFact, placement: PlacementFact, days: Sequence[date], zone: ZoneInfo
) -> Floats:
    start = max(local_day(days[0], zone)[0], placement.start_ms)
    end = min(local_day(days[-1], zone)[1], placement.end_ms)
    if start >= end:
        return np.full((len(days), HOURS), np.nan)
    readings = corrected(channel, read_readings(session, channel.id, start, end))
    value = np.where(readings.flags & _UNFIT, np.nan, readings.value)
    cadence = channel.declared_cadence_ms or _spacing(readings.at)
    return hourly_medians(readings.at, value, cadence, days, zone)


def _spacing(at: Instants) -> int:
    """Return the median spacing of readings [ms]."""
    return max(1, int(np.median(np.diff(at)))) if len(at) > 1 else _PLAIN_CADENCE_MS
