"""Readings held against the limits that the enclosure's targets set, piece by piece of its programme (pure)."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt

from service.alarms.delays import Judged
from service.climate.day_cycle import LIT_ABOVE_LUX, LIT_ABOVE_WATT, Photoperiod, in_day_span, in_night_span, lit_at
from service.climate.lamp_light import LEVEL_DAYS, lit_above
from service.climate.ranges import DAY_MS, HOUR_MS
from service.climate.series import Series
from service.climate.trend import HEADING_DAY_HOURS, HEADING_LOOKS_BACK_MIN, minutes_to_ceiling
from service.store.programme import Programme
from service.watch.channel_past import ChannelPast
from service.watch.conditions import ChannelCondition, HeadingCondition, LightCondition, LimitCondition

_LIT_ABOVE: Final = {"illuminance": LIT_ABOVE_LUX, "power": LIT_ABOVE_WATT}
_HOUR_BEFORE_MS: Final = HEADING_LOOKS_BACK_MIN * 60_000


def _no_error(_at_ms: int) -> float:
    return 0.0


@dataclass(frozen=True, eq=False)
class Recent:
    """A channel's new readings, and those shortly before them.

    Attributes
    ----------
    all_at, all_value : ndarray, shape (m,)
        In order of time, known values only. [ms since 1970, UTC], [the quantity's unit]
    first : int
        Index of the first new one.
    cadence_ms : int
    past : ChannelPast
        The days before, and these readings too.
    uncertainty : callable
        The channel's U at an instant [ms since 1970, UTC], k = 2. [the quantity's unit]
    """

    all_at: npt.NDArray[np.int64]
    all_value: npt.NDArray[np.float64]
    first: int
    cadence_ms: int
    past: ChannelPast = field(default_factory=ChannelPast)
    uncertainty: Callable[[int], float] = _no_error

    @property
    def at(self) -> npt.NDArray[np.int64]:
        """Times of the new readings."""
        return self.all_at[self.first :]

    @property
    def value(self) -> npt.NDArray[np.float64]:
        """Values of the new readings."""
        return self.all_value[self.first :]

    @cached_property
    def known(self) -> Series:
        """All of them as a series."""
        return Series(self.all_at, self.all_value, self.cadence_ms)


@dataclass(frozen=True, slots=True)
class Held:
    """New readings held against a condition.

    Attributes
    ----------
    judged : Judged
        By what was read.
    certain : Judged or None
        Exceeded only beyond the channel's U; None for a condition that knows no U.
    """

    judged: Judged
    certain: Judged | None = None


def limit_of(condition: ChannelCondition, programme: Programme, at_ms: int, quantity: str) -> float | None:
    """Return the limit at an instant, None where nothing sets one. [the quantity's unit]."""
    if isinstance(condition, LightCondition):
        return _LIT_ABOVE[quantity]
    check = "hot-spot-peak" if isinstance(condition, HeadingCondition) else condition.check
    target = programme.targets_at(at_ms).get(check)
    if target is None:
        return None
    end = target.high if condition.upward else target.low
    offset = condition.offset if isinstance(condition, LimitCondition) else 0.0
    return end + offset if np.isfinite(end) else None


def judge(condition: ChannelCondition, programme: Programme, quantity: str, readings: Recent) -> Held:
    """Hold new readings against a condition.

    Parameters
    ----------
    condition : ChannelCondition
    programme : Programme
        Of the enclosure.
    quantity : str
    readings : Recent
        At least one of them new. [the quantity's unit]

    Returns
    -------
    Held
        The new readings. Where nothing is in force, nothing is exceeded and everything is clear.
    """
    match condition:
        case LimitCondition():
            return _judge_limit(condition, programme, quantity, readings)
        case HeadingCondition():
            return Held(_judge_heading(condition, programme, quantity, readings))
        case LightCondition():
            return Held(_judge_light(condition, programme, quantity, readings))


def _pieces(programme: Programme, at: npt.NDArray[np.int64]) -> Iterator[tuple[int, slice]]:
    """Yield each piece of the programme that holds readings: its start, and which they are."""
    for start, end in programme.pieces(int(at[0]), int(at[-1]) + 1):
        low, high = np.searchsorted(at, (start, end))
        yield start, slice(int(low), int(high))


def _judge_heading(condition: HeadingCondition, programme: Programme, quantity: str, readings: Recent) -> Judged:
    """Above the band already, and the line through the last minutes clearly meets the ceiling soon.

    An ordinary warm-up rises as steeply, but from below the band: it never counts.
    """
    at, value = readings.at, readings.value
    exceeded, cleared = np.zeros(len(at), dtype=np.bool_), np.ones(len(at), dtype=np.bool_)
    for start, piece in _pieces(programme, at):
        ceiling = limit_of(condition, programme, start, quantity)
        band = programme.targets_at(start).get("hot-spot")
        if ceiling is None or band is None or not np.isfinite(band.high):
            continue
        for index in piece.start + np.flatnonzero(value[piece] > band.high):
            # Beyond the ceiling it has arrived: that is another alarm, and this one waits for the way back.
            arrived = bool(value[index] > ceiling)
            now = int(at[index])
            before = readings.past.hours.highest_within(now - HEADING_DAY_HOURS * HOUR_MS, now - _HOUR_BEFORE_MS)
            heading = minutes_to_ceiling(readings.known, now, band.high, ceiling, before) is not None
            exceeded[index] = not arrived and heading
            cleared[index] = not arrived and not heading
    return Judged(at, value, exceeded, cleared, upward=True)


def _judge_light(condition: LightCondition, programme: Programme, quantity: str, readings: Recent) -> Judged:
    at, value = readings.at, readings.value
    exceeded = np.zeros(len(at), dtype=np.bool_)
    for start, piece in _pieces(programme, at):
        photoperiods = programme.photoperiods_around(start)
        if photoperiods[-1].basis == "none":
            continue
        planned = lit_at(at[piece], photoperiods)
        is_lit = value[piece] > _lit_above(programme, quantity, readings, at[piece], photoperiods)
        exceeded[piece] = planned & ~is_lit if condition.when_lit else ~planned & is_lit
    return Judged(at, value, exceeded, ~exceeded, condition.upward)


def _lit_above(
    programme: Programme,
    quantity: str,
    readings: Recent,
    at: npt.NDArray[np.int64],
    photoperiods: list[Photoperiod],
) -> npt.NDArray[np.float64]:
    """Return the threshold at each reading of a piece: it moves when planned lit times end. [lx or W]."""
    if quantity != "illuminance" or not len(at):
        return np.full(len(at), _LIT_ABOVE[quantity])
    first, last = int(at[0]), int(at[-1])
    planned = programme.planned_lit(first - LEVEL_DAYS * DAY_MS, last)
    ends = sorted({p.off_ms for p in photoperiods if first < p.off_ms <= last})
    levels = [lit_above(readings.past.hours, planned, moment) for moment in (first, *ends)]
    return np.array(levels)[np.searchsorted(np.array(ends), at, "right")]


def _judge_limit(condition: LimitCondition, programme: Programme, quantity: str, readings: Recent) -> Held:
    at, value = readings.at, readings.value
    exceeded, cleared = np.zeros(len(at), dtype=np.bool_), np.ones(len(at), dtype=np.bool_)
    certain = np.zeros(len(at), dtype=np.bool_)
    for start, piece in _pieces(programme, at):
        limit = limit_of(condition, programme, start, quantity)
        if limit is None:
            continue
        beyond = value[piece] - limit if condition.upward else limit - value[piece]
        in_force = _in_span(condition, programme, start, at[piece])
        exceeded[piece] = in_force & (beyond > 0)
        certain[piece] = in_force & (beyond > readings.uncertainty(start))
        cleared[piece] = ~in_force | (beyond <= -condition.deadband)
    upward = condition.upward
    return Held(Judged(at, value, exceeded, cleared, upward), Judged(at, value, certain, cleared, upward))


def _in_span(
    condition: LimitCondition, programme: Programme, start_ms: int, at: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    if condition.span == "any":
        return np.ones(len(at), dtype=np.bool_)
    within = in_day_span if condition.span == "day" else in_night_span
    return within(at, programme.photoperiods_around(start_ms))
