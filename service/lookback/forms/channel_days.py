"""What each channel said on each local day: lowest, median and highest, for charts and for comparing."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from sqlmodel import Session

from service.climate.day_cycle import local_day
from service.climate.ranges import Floats, Instants
from service.lookback.inputs import days_from
from service.lookback.lives.stays import Stay, local_span
from service.model import Flag
from service.store.facts import ChannelFact, RoomFacts
from service.store.history import corrected, placements_in
from service.store.readings import StoredReadings, read_readings
from service.store.traceability import errors_within

_UNFIT: Final = int(Flag.unfit())
DRAWN: Final = (
    "air_temperature", "surface_temperature", "substrate_temperature", "relative_humidity", "soil_moisture",
)  # fmt: skip
"""The quantities that a report draws."""


@dataclass(frozen=True, eq=False)
class ChannelDays:
    """A channel in a zone of an enclosure, day by day.

    Attributes
    ----------
    channel : ChannelFact
    zone, enclosure : str
        Keys.
    days : tuple of date
    low, median, high : ndarray, shape (n,)
        Corrected; of fit readings. [the quantity's unit]
    uncertainty : float
        Expanded. [unit]
    """

    channel: ChannelFact
    zone: str
    enclosure: str
    days: tuple[date, ...]
    low: Floats
    median: Floats
    high: Floats
    uncertainty: float


def fit_readings(session: Session, channel: ChannelFact, start_ms: int, end_ms: int) -> StoredReadings:
    """Return a channel's readings of a span that can be judged, corrected by its calibrations."""
    stored = corrected(channel, read_readings(session, channel.id, start_ms, end_ms))
    fit = (stored.flags & np.int16(_UNFIT)) == 0
    return stored if fit.all() else StoredReadings(stored.at[fit], stored.value[fit], stored.flags[fit])


def channel_days(
    session: Session, facts: RoomFacts, stays: Iterable[Stay], quantities: Sequence[str] = DRAWN
) -> list[ChannelDays]:
    """Return what the channels said while an animal lived by them.

    Parameters
    ----------
    session : Session
        Of `Store.read`.
    facts : RoomFacts
    stays : iterable of Stay
    quantities : sequence of str
    """
    found: list[ChannelDays] = []
    for stay in stays:
        for placed in placements_in(facts, stay.enclosure, stay.start_ms, stay.end_ms):
            channel = facts.channels[placed.channel_id]
            if channel.quantity not in quantities or placed.zone == "outside":
                continue
            start, end = max(placed.start_ms, stay.start_ms), min(placed.end_ms, stay.end_ms)
            readings = fit_readings(session, channel, start, end)
            if len(readings):
                days, low, median, high = by_day(readings.at, readings.value, facts.zone)
                unsure = errors_within(channel, start, end).uncertainty
                found.append(ChannelDays(channel, placed.zone, stay.enclosure.key, days, low, median, high, unsure))
    return found


def by_day(at: Instants, value: Floats, zone: ZoneInfo) -> tuple[tuple[date, ...], Floats, Floats, Floats]:
    """Return the lowest, the median and the highest value of each local day that has any.

    Parameters
    ----------
    at : ndarray of int64, shape (n,)
        Increasing, not empty. [ms since 1970, UTC]
    value : ndarray of float64, shape (n,)
    zone : ZoneInfo
    """
    span = local_span(int(at[0]), int(at[-1]) + 1, zone)
    days = days_from(span.first, span.last)
    edges = np.searchsorted(at, [local_day(day, zone)[0] for day in days] + [local_day(days[-1], zone)[1]])
    known = [(day, value[a:b]) for day, a, b in zip(days, edges[:-1], edges[1:], strict=True) if b > a]
    low, median, high = (np.array([f(part) for _, part in known]) for f in (np.min, np.median, np.max))
    return tuple(day for day, _ in known), low, median, high
