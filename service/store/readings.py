"""Readings: written once, never rewritten, read back as arrays."""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.dialects.postgresql import psycopg
from sqlalchemy.engine import Connection, Dialect
from sqlmodel import Session

from service.model import TURN_BITS, ChannelDay, ChannelState, Counter, Flag, Reading, table_of
from service.store.block_rows import (
    add_to_blocks,
    count_sealed,
    first_sealed_day,
    joined,
    last_sealed_day,
    merged_arrays,
    read_blocks,
    read_rows,
    sealed_until,
)
from service.store.blocks import DAY_MS
from service.store.bulk import StateRow, advance_states, copy_readings

_READING, _STATE, _COUNTER = table_of(Reading), table_of(ChannelState), table_of(Counter)
_DAY = table_of(ChannelDay)
NewReading: TypeAlias = tuple[int, int, float, int]
_STANDS = sa.select(_COUNTER.c.value).where(_COUNTER.c.name == sa.bindparam("of"))
_LOCKED = _STANDS.with_for_update()
_ADVANCE = (
    sa.update(_COUNTER)
    .where(_COUNTER.c.name == sa.bindparam("of"))
    .values(value=_COUNTER.c.value + 1)
    .returning(_COUNTER.c.value)
)
"""Made once: each batch asks, and making a statement takes longer than the answer."""
_CHUNK = 50_000
_SET_BACK = int(Flag.CLOCK_SET_BACK)
_LOOKED_AT_ONCE_MS = 1_000
END_OF_TIME = 2**62


@dataclass(frozen=True, slots=True)
class StoredReadings:
    """Readings of one channel in order of time.

    Attributes
    ----------
    at : ndarray of int64, shape (n,)
        Milliseconds since 1970, UTC, strictly increasing.
    value : ndarray of float64, shape (n,)
        As stored. [the quantity's unit]
    flags : ndarray of int16, shape (n,)
        See `service.model.Flag`.
    """

    at: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    flags: npt.NDArray[np.int16]

    def __len__(self) -> int:
        """Return how many readings there are."""
        return len(self.at)


@dataclass(frozen=True, slots=True)
class Newest:
    """The newest reading of a channel, and the number of the write that brought it."""

    channel_id: int
    at_ms: int
    value: float
    flags: int
    write: int


def add_readings(session: Session, rows: Sequence[NewReading], turned: Collection[int] = ()) -> int:
    """Store readings, the newest of each channel and the mark of each day, in the caller's transaction.

    Parameters
    ----------
    session : Session
        Of `Store.write`.
    rows : sequence of (channel_id, at_ms, value, flags)
        In any order; one that is stored already (same channel and time) is left as it was.
    turned : collection of int
        Channels whose time goes back with these readings, since the clock was set back: one of them is the newest now.

    Returns
    -------
    int
        How many were new.
    """
    if not rows:
        return 0
    connection = session.connection()
    # First: it makes writers of one database wait for each other, so that what follows sees no state change under it.
    write = next_number(session, "write")
    newest: dict[int, NewReading] = {}
    oldest: dict[int, int] = {}
    for row in rows:
        channel, at = row[0], row[1]
        if channel not in newest:
            newest[channel], oldest[channel] = row, at
        elif at > newest[channel][1]:
            newest[channel] = row
        elif at < oldest[channel]:
            oldest[channel] = at
    stored = _store(session, rows, min(oldest.values()))
    states = [(*row, write, oldest[channel]) for channel, row in newest.items()]
    if _advance(connection, states) < len(states):
        _add_late(session, rows if stored else (), newest, write)
        _set_back(connection, [newest[channel] for channel in turned if channel in newest], write)
    relived = {(row[0], row[1] // DAY_MS) for row in rows if row[3] & _SET_BACK}
    if relived and stored:
        _mark(connection, relived, write)
    return stored


def _store(session: Session, rows: Sequence[NewReading], oldest_ms: int) -> int:
    """Store the readings that are not there yet, those of sealed days in their blocks; return how many they were."""
    connection = session.connection()
    if oldest_ms // DAY_MS > sealed_until(session):
        return _insert(connection, rows)
    others, stored = add_to_blocks(session, rows)
    return stored + (_insert(connection, others) if others else 0)


def _insert(connection: Connection, rows: Sequence[NewReading]) -> int:
    """Store the readings that are not there yet, and return how many those were."""
    if connection.dialect.name == "postgresql":
        return copy_readings(connection, rows)
    insert, _, _, _ = _statements(connection.dialect.name)
    return connection.exec_driver_sql(_text(insert, connection.dialect), list(rows)).rowcount


def _advance(connection: Connection, states: Sequence[StateRow]) -> int:
    """Note the newest of each channel whose readings are all newer than before, and return how many those were."""
    if connection.dialect.name == "postgresql":
        return advance_states(connection, states)
    _, ahead, _, _ = _statements(connection.dialect.name)
    return connection.exec_driver_sql(_text(ahead, connection.dialect), list(states)).rowcount


def _add_late(session: Session, rows: Sequence[NewReading], newest: dict[int, NewReading], write: int) -> None:
    """Mark the days of readings older than what their channel had, and note its newest where one of them is newer.

    A reading that is newer than all before it needs no mark: its day is told by the state of its channel.
    """
    connection = session.connection()
    _, _, upsert, _ = _statements(connection.dialect.name)
    state = sa.select(_STATE.c.channel_id, _STATE.c.at_ms).where(
        _STATE.c.channel_id.in_(list(newest)), _STATE.c.write < write
    )
    before: dict[int, int] = {row[0]: row[1] for row in session.execute(state)}
    late = {(row[0], row[1] // DAY_MS) for row in rows if row[0] in before and row[1] < before[row[0]]}
    connection.exec_driver_sql(_text(upsert, connection.dialect), [(*newest[channel], write) for channel in before])
    if late:
        _mark(connection, late, write)


def _mark(connection: Connection, days: Collection[tuple[int, int]], write: int) -> None:
    """Mark days of channels as written to late."""
    _, _, _, mark = _statements(connection.dialect.name)
    connection.exec_driver_sql(_text(mark, connection.dialect), [(*day, write) for day in sorted(days)])


def _set_back(connection: Connection, rows: Sequence[NewReading], write: int) -> None:
    """Let readings be the newest of their channels, older though they are."""
    for channel_id, at_ms, value, flags in rows:
        newest = {"at_ms": at_ms, "value": value, "flags": flags, "write": write}
        connection.execute(sa.update(_STATE).where(_STATE.c.channel_id == channel_id).values(newest))


def in_present_turn(session: Session, rows: Sequence[NewReading]) -> list[NewReading]:
    """Return readings that came by another way than the intake of messages with their channels' present turn."""
    of = {state.channel_id: turn for state in newest_readings(session) if (turn := state.flags & TURN_BITS)}
    if not of:
        return list(rows)
    return [(channel, at, value, flags | of.get(channel, 0)) for channel, at, value, flags in rows]


def next_number(session: Session, name: str) -> int:
    """Advance a counter and return its new value; two transactions never get the same."""
    return session.connection().execute(_ADVANCE, {"of": name}).scalar_one()


def lock_writes(session: Session) -> int:
    """Wait for other writers of readings on PostgreSQL, and make them wait; SQLite has one writer anyway.

    Returns
    -------
    int
        The number of the last write.
    """
    return session.connection().execute(_LOCKED, {"of": "write"}).scalar_one()


def number(session: Session, name: str) -> int:
    """Return where a counter stands."""
    return session.connection().execute(_STANDS, {"of": name}).scalar_one()


@lru_cache(maxsize=4)
def _statements(dialect: str) -> tuple[sa.Insert, sa.Insert, sa.Insert, sa.Insert]:
    """Return the statements that store readings, that note the newest of a channel, and that mark a day.

    Of the two that note the newest, the first does so only where even the oldest of the batch is newer than before.
    """
    insert = sqlite.insert if dialect == "sqlite" else postgresql.insert
    readings = insert(_READING).on_conflict_do_nothing()
    state = insert(_STATE)
    newer = {name: state.excluded[name] for name in ("at_ms", "value", "flags", "write")}
    oldest, its_own = sa.bindparam("oldest", type_=sa.BigInteger), state.excluded.at_ms
    ahead, upsert = (
        state.on_conflict_do_update(index_elements=["channel_id"], set_=newer, where=least > _STATE.c.at_ms)
        for least in (oldest, its_own)
    )
    mark = insert(_DAY)
    marked = mark.on_conflict_do_update(index_elements=["channel_id", "day"], set_={"write": mark.excluded.write})
    return readings, ahead, upsert, marked


_COMPILED: dict[tuple[sa.Insert, str], str] = {}
_POSITIONAL: dict[str, Dialect] = {"postgresql": psycopg.dialect(paramstyle="format")}
"""psycopg's marks have names unless it is asked for positions; SQLite's are positions."""


def _text(statement: sa.Insert, dialect: Dialect) -> str:
    """Return the statement as the driver takes it, so that rows can be handed over as plain tuples."""
    key = (statement, dialect.name)
    if key not in _COMPILED:
        _COMPILED[key] = str(statement.compile(dialect=_POSITIONAL.get(dialect.name, dialect)))
    return _COMPILED[key]


def read_readings(session: Session, channel_id: int, start_ms: int, end_ms: int = END_OF_TIME) -> StoredReadings:
    """Return the readings of a channel with start_ms <= at < end_ms, in order of time.

    A sealed day whose block is damaged is a gap, and the log names it.
    """
    # Rows before blocks: a day that is sealed between the two is met twice, and put together; never missed.
    rows = read_rows(session, channel_id, start_ms, end_ms)
    sealed = read_blocks(session, channel_id, start_ms, end_ms)
    if sealed is None:
        return StoredReadings(*rows)
    if not len(rows.at):
        return StoredReadings(*sealed)
    if len(sealed.at) and sealed.at[-1] < rows.at[0]:
        return StoredReadings(*joined([sealed, rows]))
    return StoredReadings(*merged_arrays([sealed, rows])[0])


def stream_readings(session: Session, channel_id: int, start_ms: int, end_ms: int) -> Iterator[list[Any]]:
    """Yield (at_ms, value, flags) rows in lists of bounded size, in order of time: for exports of any length."""
    gathered: list[Any] = []
    while (first := first_reading_ms(session, channel_id, start_ms, end_ms)) is not None:
        start_ms = min((first // DAY_MS + 1) * DAY_MS, end_ms)
        day = read_readings(session, channel_id, first, start_ms)
        gathered += zip(day.at.tolist(), day.value.tolist(), day.flags.tolist(), strict=True)
        while len(gathered) >= _CHUNK:
            yield gathered[:_CHUNK]
            del gathered[:_CHUNK]
    if gathered:
        yield gathered


def first_reading_ms(session: Session, channel_id: int, start_ms: int, end_ms: int) -> int | None:
    """Return the time of a channel's first reading of a span [start_ms, end_ms), None when it has none. [ms].

    A day of which a part only is asked for is read; of any other the times alone are looked at.
    """
    row = sa.select(sa.func.min(_READING.c.at_ms)).where(_READING.c.channel_id == channel_id)
    found = session.execute(row.where(_READING.c.at_ms >= start_ms, _READING.c.at_ms < end_ms)).scalar_one()
    while start_ms < (end_ms if found is None else found):
        day = first_sealed_day(session, channel_id, start_ms)
        if day is None:
            break
        times = read_readings(session, channel_id, max(start_ms, day * DAY_MS), min(end_ms, (day + 1) * DAY_MS)).at
        if len(times):
            return int(times[0]) if found is None else min(found, int(times[0]))
        start_ms = (day + 1) * DAY_MS
    return found


def newest_readings(session: Session, after_write: int = -1) -> list[Newest]:
    """Return the newest reading of each channel that a write after that number touched."""
    state = sa.select(_STATE.c.channel_id, _STATE.c.at_ms, _STATE.c.value, _STATE.c.flags, _STATE.c.write)
    rows = session.execute(state.where(_STATE.c.write > after_write))
    return [Newest(*row) for row in rows]


def count_readings(session: Session, channel_ids: Sequence[int], start_ms: int, end_ms: int) -> int:
    """Return how many readings those channels have in a span."""
    count = sa.select(sa.func.count()).select_from(_READING)
    within = (_READING.c.channel_id.in_(channel_ids), _READING.c.at_ms >= start_ms, _READING.c.at_ms < end_ms)
    rows = session.execute(count.where(*within)).scalar_one()
    return rows + sum(count_sealed(session, channel_id, start_ms, end_ms) for channel_id in channel_ids)


def count_all(session: Session) -> int:
    """Return how many readings there are altogether, sealed ones too."""
    counts = (
        "SELECT count(*) FROM reading",
        "SELECT coalesce(sum(readings), 0) FROM reading_block WHERE body IS NOT NULL",
    )
    return sum(int(session.execute(sa.text(count)).scalar_one()) for count in counts)


def newest_time(session: Session, channel_id: int) -> int | None:
    """Return the latest time of which a channel has a reading, whenever that came [ms since 1970, UTC]."""
    times = recent_times(session, channel_id, 1)
    return int(times[-1]) if len(times) else None


def free_time(session: Session, channel_id: int, at_ms: int) -> int:
    """Return the first millisecond from an instant on of which a channel has no reading. [ms since 1970, UTC]."""
    while True:
        taken = read_readings(session, channel_id, at_ms, at_ms + _LOOKED_AT_ONCE_MS).at
        free = np.flatnonzero(taken != at_ms + np.arange(len(taken)))
        at_ms += int(free[0]) if len(free) else len(taken)
        if len(free) or len(taken) < _LOOKED_AT_ONCE_MS:
            return at_ms


def recent_times(session: Session, channel_id: int, limit: int = 200) -> npt.NDArray[np.int64]:
    """Return the times of a channel's last readings, in order: what its cadence is taken from."""
    last = sa.select(_READING.c.at_ms).where(_READING.c.channel_id == channel_id)
    rows = session.execute(last.order_by(_READING.c.at_ms.desc()).limit(limit)).scalars()
    times = np.array(list(rows)[::-1], dtype=np.int64)
    before = END_OF_TIME // DAY_MS
    while (day := last_sealed_day(session, channel_id, before)) is not None:
        if len(times) >= limit and (day + 1) * DAY_MS <= times[-limit]:
            break
        sealed = read_blocks(session, channel_id, day * DAY_MS, (day + 1) * DAY_MS)
        times = times if sealed is None else np.union1d(times, sealed.at)
        before = day
    return times[-limit:]
