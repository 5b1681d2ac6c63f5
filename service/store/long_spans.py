"""What a chart of years needs of a channel: of most days four readings, and nothing that would be drawn is lost.

Where a pixel column is wider than a day, the first, last, least and greatest reading of each day that lies wholly in
one column are all that the column can take of it, and they stand in the day's summary. Other days are unpacked: those
that two columns share, those with gaps, with readings that are unfit, or that a calibration begins in.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from sqlmodel import Session

from service.climate.ranges import Spans
from service.climate.series import CADENCE_READINGS, cadence_of, hold_ms
from service.model import Flag
from service.store.block_rows import DayArrays, empty_arrays, joined, merged_arrays, read_rows
from service.store.blocks import DAY_MS, Times, Values
from service.store.day_summaries import Summaries, day_summaries
from service.store.facts import ChannelFact
from service.store.readings import StoredReadings, read_readings, recent_times

_DAYS_PER_COLUMN: Final = 2
"""With fewer days to a column than these, most are shared by two, and unpacking all is as quick."""
_MARGIN_MS: Final = 2
_UNFIT: Final = int(Flag.unfit())


@dataclass(frozen=True, eq=False)
class SpanReadings:
    """A channel's readings in the spans in which it stood somewhere: all, or all that can be drawn.

    Attributes
    ----------
    readings : StoredReadings
    follows : ndarray of bool, shape (n,)
        Whether no reading is left out between this one and the one before it.
    moved : ndarray of int64
        The index of the first reading of each span but the first.
    count : int
        How many readings the spans hold, those left out too.
    cadence_ms : int
        Declared, or measured at the end of the spans. [ms]
    """

    readings: StoredReadings
    follows: npt.NDArray[np.bool_]
    moved: npt.NDArray[np.int64]
    count: int
    cadence_ms: int


def span_readings(session: Session, channel: ChannelFact, spans: Spans, columns: int) -> SpanReadings:
    """Return what a chart of so many pixel columns needs of a channel.

    Parameters
    ----------
    session : Session
        Of `Store.read`.
    channel : ChannelFact
    spans : ndarray of int64, shape (m, 2)
        Merged, in order. [ms, UTC]
    columns : int
        Over the time from the first fit reading to the last, all equally wide.
    """
    wide = len(spans) and int(spans[-1, 1]) - int(spans[0, 0]) >= _DAYS_PER_COLUMN * columns * DAY_MS
    if wide and (sparse := _sparse(session, channel, spans, columns)) is not None:
        return sparse
    parts = [DayArrays(*_arrays(session, channel.id, int(start), int(end))) for start, end in spans]
    together = joined(parts or [empty_arrays()])
    cadence = channel.declared_cadence_ms or _cadence(session, channel, together.at)
    moved = np.cumsum([len(part.at) for part in parts])[:-1]
    return SpanReadings(
        StoredReadings(*together), np.ones(len(together.at), np.bool_), moved, len(together.at), cadence
    )


def _cadence(session: Session, channel: ChannelFact, at: Times) -> int:
    """Return the median spacing at the end of a span; of the channel's last readings when it holds fewer than two."""
    return cadence_of(at if len(at) > 1 else recent_times(session, channel.id))


def _arrays(session: Session, channel_id: int, start_ms: int, end_ms: int) -> DayArrays:
    found = read_readings(session, channel_id, start_ms, end_ms)
    return DayArrays(found.at, found.value, found.flags)


@dataclass(slots=True)
class _Part:
    """One span: the days of it that their summaries stand for, and all other readings."""

    days: Summaries
    rest: DayArrays

    def bounds(self) -> list[int]:
        """Return the times of the first and the last fit reading; nothing when there is none."""
        fit = self.rest.at[(self.rest.flags & _UNFIT) == 0]
        times = [*fit[:1], *fit[-1:], *self.days["first_ms"][:1], *self.days["last_ms"][-1:]]
        return [int(time) for time in times]


def _sparse(session: Session, channel: ChannelFact, spans: Spans, columns: int) -> SpanReadings | None:
    """Return what a chart needs by way of the summaries; None when there are too few of them to help."""
    cadence = channel.declared_cadence_ms or _cadence(session, channel, _last_times(session, channel.id, spans))
    parts = []
    for start, end in spans.tolist():
        days = _plain_days(session, channel, start, end, hold_ms(cadence))
        parts.append(_Part(days, _between(session, channel.id, start, end, days["day"])))
    if sum(len(part.days) for part in parts) < _DAYS_PER_COLUMN * columns:
        return None
    bounds = [time for part in parts for time in part.bounds()]
    edges = np.linspace(min(bounds), max(bounds), columns + 1)[1:-1]
    count, arrays, follows = 0, [], []
    for part in parts:
        shared = _shared(part.days, edges)
        part.rest = joined([part.rest, *_runs(session, channel.id, part.days["day"][shared])])
        part.days = part.days[~shared]
        count += len(part.rest.at) + int(part.days["readings"].sum())
        found, after = _assembled(part)
        arrays.append(found)
        follows.append(after)
    moved = np.cumsum([len(part.at) for part in arrays])[:-1]
    return SpanReadings(StoredReadings(*joined(arrays)), np.concatenate(follows), moved, count, cadence)


def _last_times(session: Session, channel_id: int, spans: Spans) -> Times:
    """Return at least the times that a cadence is measured from: the last ones of the spans."""
    times = np.empty(0, np.int64)
    for start, end in spans[::-1].tolist():
        until, reach = end, DAY_MS
        while until > start and len(times) <= CADENCE_READINGS:
            begin = max(start, until - reach)
            times = np.concatenate((read_readings(session, channel_id, begin, until).at, times))
            until, reach = begin, 2 * reach
    return times


def _plain_days(session: Session, channel: ChannelFact, start_ms: int, end_ms: int, hold: int) -> Summaries:
    """Return the days within a span whose summaries say all that a column can take of them."""
    days = day_summaries(session, channel.id, -(-start_ms // DAY_MS), end_ms // DAY_MS)
    plain = (days["fit"] == days["readings"]) & (days["flags"] == days["common_flags"]) & (days["longest_ms"] <= hold)
    changes = np.array(sorted({edge for c in channel.calibrations for edge in (c.start_ms, c.end_ms)}), dtype=np.int64)
    at_first, at_last = (np.searchsorted(changes, days[name], "right") for name in ("first_ms", "last_ms"))
    not_sealed = np.unique(read_rows(session, channel.id, start_ms, end_ms).at // DAY_MS)
    return days[plain & (at_first == at_last) & ~np.isin(days["day"], not_sealed)]


def _shared(days: Summaries, edges: Values) -> npt.NDArray[np.bool_]:
    """Return which days an edge between two columns falls into; without their readings they cannot be divided."""
    low = np.searchsorted(edges, days["first_ms"] - _MARGIN_MS)
    high = np.searchsorted(edges, days["last_ms"] + _MARGIN_MS, "right")
    return (high > low) & days["whole"]


def _between(session: Session, channel_id: int, start_ms: int, end_ms: int, days: Times) -> DayArrays:
    """Return the readings of a span but for some of its days."""
    edges = np.concatenate(([start_ms], np.column_stack((days, days + 1)).ravel() * DAY_MS, [end_ms])).reshape(-1, 2)
    return joined(
        [empty_arrays(), *(_arrays(session, channel_id, low, high) for low, high in edges.tolist() if low < high)]
    )


def _runs(session: Session, channel_id: int, days: Times) -> Iterator[DayArrays]:
    """Yield the readings of some days; those that follow one another are read at once."""
    for run in np.split(days, np.flatnonzero(np.diff(days) > 1) + 1):
        if len(run):
            yield _arrays(session, channel_id, int(run[0]) * DAY_MS, (int(run[-1]) + 1) * DAY_MS)


def _assembled(part: _Part) -> tuple[DayArrays, npt.NDArray[np.bool_]]:
    """Return the readings of a part in order of time, and whether each follows on the one before it."""
    days = part.days
    at = np.stack([days[name] for name in ("first_ms", "low_ms", "high_ms", "last_ms")])
    value = np.stack([days[name] for name in ("first_value", "low", "high", "last_value")])
    flags = np.broadcast_to(days["common_flags"].astype(np.int16), at.shape)
    first_of_day = np.broadcast_to(np.array([[True], [False], [False], [False]]), at.shape)
    summed = DayArrays(at.ravel(), value.ravel(), flags.ravel())
    follows = np.concatenate((np.ones(len(part.rest.at), np.bool_), first_of_day.ravel()))
    # One reading may be the first and the least at once: it counts once, as the first.
    together, chosen = merged_arrays([part.rest, summed])
    return together, follows[chosen]
