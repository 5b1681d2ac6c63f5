"""Readings as charts and checks see them: corrected by their calibrations, and thinned out without losing a spike."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
from sqlmodel import Session
from tsdownsample import M4Downsampler

from sensors.quantities import QUANTITIES
from service.climate.ranges import Spans
from service.climate.series import hold_ms, merged
from service.model import Flag
from service.store.facts import ChannelFact, EnclosureFact, PlacementFact, RoomFacts
from service.store.long_spans import SpanReadings, span_readings
from service.store.readings import StoredReadings

FEWEST_POINTS: Final = 10
"""Fewer points draw nothing: one pixel column takes four."""
_PER_PIXEL: Final = 4
_AS_READ: Final = (1.0, 0.0)
_THIN: Final = M4Downsampler()


@dataclass(frozen=True, eq=False)
class ChannelSeries:
    """One channel in one zone of an enclosure over a span, ready to be drawn.

    Attributes
    ----------
    channel : ChannelFact
    zone : str
    cadence_ms : int
        Declared, or the median spacing of the last 200 readings. [ms]
    at : ndarray of int64, shape (n,)
        Strictly increasing. [ms, UTC]
    value : ndarray of float64, shape (n,)
        Corrected by calibrations; NaN is a break, at the instant where the last reading no longer stands.
        [the quantity's unit]
    flags : ndarray of int16, shape (n,)
        Of each reading, see `service.model.Flag`; 0 at a break.
    gaps : ndarray of int64, shape (m, 2)
        When no reading stands within the span. [ms, UTC]
    readings : int
        How many readings the span holds; n may be smaller.
    """

    channel: ChannelFact
    zone: str
    cadence_ms: int
    at: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    flags: npt.NDArray[np.int16]
    gaps: Spans
    readings: int


def line_at(channel: ChannelFact, at_ms: int) -> tuple[float, float]:
    """Return what calibration makes of a reading of that time: ``slope · reading + offset``.

    Returns
    -------
    slope, offset : float
        Of the check that was made last of those that hold then; 1 and 0 before the first. [1, the quantity's unit]
    """
    check = channel.check_at(at_ms) if channel.calibrations else None
    return _AS_READ if check is None else (check.correction.slope, check.correction.offset)


def corrected_value(channel: ChannelFact, at_ms: int, value: float) -> float:
    """Return one reading as `corrected` returns many."""
    slope, offset = line_at(channel, at_ms)
    if (slope, offset) == _AS_READ:
        return value
    low, high = _reach(channel.quantity)
    lifted = slope * value + offset
    return lifted if not low <= value <= high else min(max(lifted, low), high)


def corrected(channel: ChannelFact, readings: StoredReadings) -> StoredReadings:
    """Return readings with the channel's calibrations applied; what is stored stays as the probe said it.

    Parameters
    ----------
    channel : ChannelFact
        Its calibrations: each holds from its check until the next, on a line or with an offset.
    readings : StoredReadings
        Of that channel. [the quantity's unit]

    Returns
    -------
    StoredReadings
        The same times and flags. A possible value is not carried beyond what can be at all: saturated air that a
        check lifts to 101 %RH is 100 %RH.
    """
    if not channel.calibrations or not len(readings):
        return readings
    edges = sorted({edge for check in channel.calibrations for edge in (check.start_ms, check.end_ms)})
    lines = np.array([_AS_READ, *(line_at(channel, edge) for edge in edges)])
    slope, offset = lines[np.searchsorted(np.array(edges), readings.at, "right")].T
    low, high = _reach(channel.quantity)
    possible = (readings.value >= low) & (readings.value <= high)
    lifted = slope * readings.value + offset
    value = np.where(possible & ((slope != 1) | (offset != 0)), np.clip(lifted, low, high), lifted)
    return replace(readings, value=value)


def _reach(quantity: str) -> tuple[float, float]:
    """Return what the quantity can be at all."""
    known = QUANTITIES.get(quantity)
    return (known.low, known.high) if known else (-math.inf, math.inf)


def placements_in(
    facts: RoomFacts,
    enclosure: EnclosureFact,
    start_ms: int,
    end_ms: int,
    zone: str | None = None,
    quantity: str | None = None,
) -> list[PlacementFact]:
    """Return the placements in an enclosure that meet a span, of one zone or quantity where asked."""
    return [
        placement
        for placement in enclosure.placements
        if placement.meets(start_ms, end_ms)
        and zone in {None, placement.zone}
        and quantity in {None, facts.channels[placement.channel_id].quantity}
    ]


def chart_series(
    session: Session,
    facts: RoomFacts,
    placements: Iterable[PlacementFact],
    start_ms: int,
    end_ms: int,
    points: int,
) -> list[ChannelSeries]:
    """Return what charts draw: each channel in each zone, only while it was placed there.

    Parameters
    ----------
    session : Session
        Of `Store.read`.
    facts : RoomFacts
    placements : iterable of PlacementFact
        Which channels, where and when, such as `placements_in` returns.
    start_ms, end_ms : int
        The span [start, end). [ms, UTC]
    points : int
        How many fit readings of a channel are drawn, at least `FEWEST_POINTS`; as many unfit ones may come with them.
        The readings beside gaps are always kept, and the breaks come on top.

    Returns
    -------
    list of ChannelSeries
        In order of zone and quantity. Of each pixel column the first, last, least and greatest reading are kept, of
        fit readings and of unfit ones (approximate, impossible) each by itself: no spike is lost, and none is hidden
        behind a value that cannot be.

    Raises
    ------
    ValueError
        If the span is empty or the points are too few.

    References
    ----------
    .. [1] U. Jugel et al., "M4: a visualization-oriented time series data aggregation," Proc. VLDB Endowment 7(10),
       2014.
    """
    if start_ms >= end_ms:
        raise ValueError(f"the span is {start_ms} to {end_ms}, expected an end after its start")
    if points < FEWEST_POINTS:
        raise ValueError(f"points is {points}, expected at least {FEWEST_POINTS}")
    spans: dict[tuple[int, str], list[tuple[int, int]]] = {}
    for placed in placements:
        span = (max(placed.start_ms, start_ms), min(placed.end_ms, end_ms))
        spans.setdefault((placed.channel_id, placed.zone), []).append(span)
    series = [
        _channel_series(session, facts.channels[channel], zone, merged(placed), points)
        for (channel, zone), placed in spans.items()
    ]
    return sorted(series, key=lambda s: (s.zone, s.channel.quantity, s.channel.key))


def _channel_series(session: Session, channel: ChannelFact, zone: str, placed: Spans, points: int) -> ChannelSeries:
    """Read a channel in the spans in which it stood there, and thin it out."""
    read = span_readings(session, channel, placed, points // _PER_PIXEL)
    readings = corrected(channel, read.readings)
    hold = hold_ms(read.cadence_ms)
    before = _breaks(readings.at, hold, read)
    kept = _kept(readings, before, points)
    at, value, flags = _broken(readings, kept, before, placed, hold)
    gaps = _gaps(readings.at, read.follows, placed, hold)
    return ChannelSeries(channel, zone, read.cadence_ms, at, value, flags, gaps, readings=read.count)


def _breaks(at: npt.NDArray[np.int64], hold: int, read: SpanReadings) -> npt.NDArray[np.int64]:
    """Return the index of each reading that comes after a gap or a move: between two of them it stood elsewhere."""
    late = np.flatnonzero((np.diff(at) > hold) & read.follows[1:]) + 1
    inside = read.moved[(read.moved > 0) & (read.moved < len(at))]
    return np.union1d(late, inside)


def _kept(readings: StoredReadings, before: npt.NDArray[np.int64], points: int) -> npt.NDArray[np.int64]:
    """Return the indices of the readings that are drawn, in order."""
    if len(readings) <= points:
        return np.arange(len(readings))
    unfit = (readings.flags & int(Flag.unfit())) != 0
    groups = (np.flatnonzero(~unfit), np.flatnonzero(unfit)) if unfit.any() else (None,)
    thinned = [_thinned(readings, which, points) for which in groups]
    return np.unique(np.concatenate([before, before - 1, *thinned]))


def _thinned(readings: StoredReadings, which: npt.NDArray[np.int64] | None, points: int) -> npt.NDArray[np.int64]:
    """Return the indices of the first, last, least and greatest reading of each pixel column."""
    at, value = (readings.at, readings.value) if which is None else (readings.at[which], readings.value[which])
    if len(at) <= points:
        indices = np.arange(len(at))
    else:
        chosen = _THIN.downsample(at, value, n_out=points // _PER_PIXEL * _PER_PIXEL)
        # Where a pixel column holds few readings, one of them can be its first and its least at once.
        indices = np.unique(chosen).astype(np.int64)
    return indices if which is None else which[indices]


def _broken(
    readings: StoredReadings,
    kept: npt.NDArray[np.int64],
    before: npt.NDArray[np.int64],
    placed: Spans,
    hold: int,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64], npt.NDArray[np.int16]]:
    """Return the kept readings with a break before each of `before`."""
    at, value, flags = readings.at[kept], readings.value[kept], readings.flags[kept]
    if not before.size:
        return at, value, flags
    where = np.searchsorted(kept, before)
    last = readings.at[before - 1]
    # A reading stands for its hold, but not beyond the end of its placement: always before the next one.
    ends = placed[np.searchsorted(placed[:, 0], last, "right") - 1, 1]
    breaks = np.minimum(last + hold, ends)
    return np.insert(at, where, breaks), np.insert(value, where, np.nan), np.insert(flags, where, 0)


def _gaps(at: npt.NDArray[np.int64], follows: npt.NDArray[np.bool_], placed: Spans, hold: int) -> Spans:
    """Return when no reading stands while the channel was placed there."""
    found: list[Spans] = []
    for start, end in placed:
        first, last = np.searchsorted(at, (start, end))
        inside = at[first:last]
        begins = np.concatenate(([start], inside + hold))
        ends = np.concatenate((inside, [end]))
        # Between two readings of which the second does not follow on the first, others stand that are not drawn.
        empty = (ends > begins) & np.concatenate(([True], follows[first + 1 : last], [True]))[: len(ends)]
        found.append(np.column_stack((begins[empty], ends[empty])))
    return np.concatenate(found) if found else np.zeros((0, 2), dtype=np.int64)
