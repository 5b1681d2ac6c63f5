"""The local day of an enclosure as it is drawn: its hours, its lit spans, its target bands and its misting times."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

from service.climate.day_cycle import Photoperiod, local_day
from service.climate.day_view import Cycle
from service.climate.targets import Target
from service.model import from_ms

HOUR_MS: Final = 3_600_000
_ROOM_DEGREES: Final = 4.0
"""Room above and below the bands, so that a line that leaves its band is still seen. [°C]"""
_PLAIN_DOMAIN: Final = (15.0, 40.0)
"""Drawn for an enclosure without temperature targets. [°C]"""


@dataclass(frozen=True, slots=True)
class Axis:
    """A span of time from left to right, and its local hours.

    Attributes
    ----------
    start_ms, end_ms : int
        [start, end). A local day is 23, 24 or 25 hours long. [ms, UTC]
    zone : ZoneInfo
        Whose wall clock names the hours.
    """

    start_ms: int
    end_ms: int
    zone: ZoneInfo

    def share(self, at_ms: float) -> float:
        """Return where an instant lies, 0 at the left edge to 1 at the right; outside instants are held at the edge."""
        return min(1.0, max(0.0, (at_ms - self.start_ms) / (self.end_ms - self.start_ms)))

    def meets(self, start_ms: int, end_ms: int) -> bool:
        """Whether any of [start, end) is drawn."""
        return start_ms < self.end_ms and self.start_ms < end_ms

    def hours(self, every: int) -> list[tuple[int, int]]:
        """Return (hour, instant) for each wall-clock hour divisible by `every`, the edges left out."""
        marks: list[tuple[int, int]] = []
        for at_ms in range(self.start_ms + HOUR_MS, self.end_ms, HOUR_MS):
            local = from_ms(at_ms).astimezone(self.zone)
            if local.hour % every == 0 and not (marks and marks[-1][0] == local.hour):
                marks.append((local.hour, at_ms))
        return marks


def day_axis(day: date, zone: ZoneInfo) -> Axis:
    """Return the axis of a local date."""
    return Axis(*local_day(day, zone), zone)


def local_date(at: datetime, zone: ZoneInfo) -> date:
    """Return the local date of an instant."""
    return at.astimezone(zone).date()


@dataclass(frozen=True, slots=True)
class Band:
    """What a value should lie within during [start, end); an open end is infinite."""

    start_ms: int
    end_ms: int
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class RainMark:
    """A misting cycle on the strip.

    Attributes
    ----------
    at_ms : int
        When it began or is due. [ms, UTC]
    verdict : str
        ``due`` before it, ``running`` until it can be judged, then that of `service.climate.misting`.
    response : float
        Added humidity, NaN where it is not known. [%RH]
    """

    at_ms: int
    verdict: str = "due"
    response: float = math.nan


@dataclass(frozen=True, slots=True)
class DayPlan:
    """What a local day of an enclosure should be.

    Attributes
    ----------
    axis : Axis
    lit : tuple of (start, end)
        The lit spans within the axis. [ms, UTC]
    lightless : bool
        There are no lights to be drawn, so the ground says nothing of day and night.
    heat, water : tuple of Band
        For the leading temperature [°C] and humidity [%RH].
    ceiling : float
        The basking zone's limit; infinite without one. [°C]
    cycles : tuple of Cycle
        The misting cycles due.
    """

    axis: Axis
    lit: tuple[tuple[int, int], ...] = ()
    lightless: bool = False
    heat: tuple[Band, ...] = ()
    water: tuple[Band, ...] = ()
    ceiling: float = math.inf
    cycles: tuple[Cycle, ...] = ()

    def domain(self) -> tuple[float, float]:
        """Return the temperatures at the lower and the upper edge of the strip [°C]."""
        ends = [end for band in self.heat for end in (band.low, band.high) if math.isfinite(end)]
        if math.isfinite(self.ceiling):
            ends.append(self.ceiling)
        if not ends:
            return _PLAIN_DOMAIN
        return min(ends) - _ROOM_DEGREES, max(ends) + _ROOM_DEGREES


def lit_spans(periods: Iterable[Photoperiod], axis: Axis) -> tuple[tuple[int, int], ...]:
    """Return the lit spans of the photoperiods, cut to the axis."""
    cut = ((max(p.on_ms, axis.start_ms), min(p.off_ms, axis.end_ms)) for p in periods if p.basis != "none")
    return tuple((start, end) for start, end in cut if start < end)


def bands(periods: Sequence[Photoperiod], axis: Axis, day: Target | None, night: Target | None) -> tuple[Band, ...]:
    """Return target bands that step at lights on and off.

    Parameters
    ----------
    periods : sequence of Photoperiod
        Without lights, the whole local day is its day.
    axis : Axis
    day, night : Target or None
        What holds while the lights are on, and while they are off; None draws nothing.
    """
    found: list[Band] = []
    for period in periods:
        for start, end, target in ((period.on_ms, period.off_ms, day), (period.off_ms, period.next_on_ms, night)):
            if target is not None and start < end and axis.meets(start, end):
                found.append(Band(max(start, axis.start_ms), min(end, axis.end_ms), target.low, target.high))
    return tuple(found)


def night_target(targets: Mapping[str, Target]) -> Target | None:
    """Return the band of the night from the floor's low end to the ceiling's high end, None with neither."""
    floor, ceiling = targets.get("night-floor"), targets.get("night-ceiling")
    low = floor.low if floor else -math.inf
    high = ceiling.high if ceiling else math.inf
    return Target(low, high) if math.isfinite(low) or math.isfinite(high) else None
