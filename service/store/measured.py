"""An enclosure's channels as the climate checks take them: read, calibrated, with what is known of their errors."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from sqlmodel import Session

from service.climate.day_view import Channel
from service.climate.series import Series, cadence_of, series_of
from service.model import Flag
from service.store.facts import ChannelFact, EnclosureFact, PlacementFact, RoomFacts
from service.store.history import corrected
from service.store.readings import read_readings, recent_times
from service.store.traceability import errors_within

_EMPTY: Final = np.empty(0, dtype=np.int64)


@dataclass(frozen=True, eq=False)
class Measured:
    """A channel in a zone over a span, with the flags of its readings beside it.

    Attributes
    ----------
    fact : ChannelFact
    placement : PlacementFact
    channel : Channel
        NaN where a reading is unfit to be judged.
    flags : ndarray of int, shape (n,)
        Of `channel.series`.
    """

    fact: ChannelFact
    placement: PlacementFact
    channel: Channel
    flags: np.ndarray


def measured_in(
    session: Session, facts: RoomFacts, enclosure: EnclosureFact, start_ms: int, end_ms: int, unseen: Flag
) -> list[Measured]:
    """Return every channel that stood in an enclosure within a span.

    Parameters
    ----------
    start_ms, end_ms : int
        [start_ms, end_ms). [ms since 1970, UTC]
    unseen : Flag
        Readings with any of these flags are left out altogether.
    """
    return [
        _measured(session, facts.channels[placement.channel_id], placement, start_ms, end_ms, unseen)
        for placement in enclosure.placements
        if placement.meets(start_ms, end_ms)
    ]


def _measured(
    session: Session, fact: ChannelFact, placement: PlacementFact, start_ms: int, end_ms: int, unseen: Flag
) -> Measured:
    low, high = max(start_ms, placement.start_ms), min(end_ms, placement.end_ms)
    stored = corrected(fact, read_readings(session, fact.id, low, high))
    seen = (stored.flags & unseen) == 0
    flags = stored.flags[seen]
    value = np.where(flags & Flag.unfit(), np.nan, stored.value[seen])
    series = series_of(stored.at[seen], value, cadence_ms(session, fact))
    errors = errors_within(fact, low, high)
    channel = Channel(
        fact.key,
        fact.quantity,
        placement.zone,
        series,
        errors.uncertainty,
        errors.repeat_uncertainty,
        errors.resolution,
    )
    return Measured(fact, placement, channel, flags)


def cadence_ms(session: Session, fact: ChannelFact) -> int | None:
    """Return a channel's cadence: declared, or that of its last readings; None when it has too few. [ms]."""
    if fact.declared_cadence_ms is not None:
        return fact.declared_cadence_ms
    times = recent_times(session, fact.id)
    return cadence_of(times) if len(times) > 1 else None


def part_of(measured: Measured, start_ms: int, end_ms: int) -> Measured:
    """Return the readings with start_ms <= at < end_ms; nothing is copied."""
    series = measured.channel.series
    low, high = (int(edge) for edge in np.searchsorted(series.at, (start_ms, end_ms)))
    part = Series(series.at[low:high], series.value[low:high], series.cadence_ms)
    channel = Channel(
        measured.channel.key, measured.channel.quantity, measured.channel.zone, part,
        measured.channel.uncertainty, measured.channel.repeat_uncertainty, measured.channel.resolution,
    )  # fmt: skip
    return Measured(measured.fact, measured.placement, channel, measured.flags[low:high])
