"""Sealed days in the database: written with their summary and checksums, found, and merged with what came late."""

import hashlib
import struct
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cache
from typing import Any, Final, NamedTuple, TypeAlias

import numpy as np
import sqlalchemy as sa
import structlog
from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session

from service.errors import StoreDamaged, StoreUnusable
from service.model import Flag, ReadingBlock, from_ms, table_of
from service.store.blocks import DAY_MS, BytesDamagedError, Flags, Times, Values, decode_day, decode_into, encode_day

log = structlog.get_logger("store")

_BLOCK: Final = table_of(ReadingBlock)
_ROW: Final = np.dtype([("at", np.int64), ("value", np.float64), ("flags", np.int16)])
_KEY: Final = struct.Struct("<qqq")
_CHECKSUM_BYTES: Final = 8
_UNFIT: Final = int(Flag.unfit())
_HELD: Final = ("day", "readings", "checksum", "body")
NUMBERS: Final = (
    "channel_id", "day", "readings", "fit", "flags", "common_flags", "first_ms", "last_ms", "spacing_ms", "longest_ms",
    "low_ms", "high_ms",
)  # fmt: skip
FRACTIONS: Final = ("first_value", "last_value", "low", "high", "mean")
_SUMMARY: Final = struct.Struct(f"<{len(NUMBERS)}q{len(FRACTIONS)}d")
_NULL: Final = -(2**62)
"""Stands for NULL in checksums."""
_LATEST_DAY: Final = 2**31 - 1
NewRow: TypeAlias = tuple[int, int, float, int]


class DayArrays(NamedTuple):
    """Readings of one channel in order of time: see `service.store.readings.StoredReadings`."""

    at: Times
    value: Values
    flags: Flags

    def picked(self, which: Times | slice) -> "DayArrays":
        """Return the readings of those indices."""
        return DayArrays(self.at[which], self.value[which], self.flags[which])


def empty_arrays() -> DayArrays:
    """Return no readings."""
    return DayArrays(np.empty(0, np.int64), np.empty(0), np.empty(0, np.int16))


def _unfilled(count: int) -> DayArrays:
    """Return arrays for so many readings, of any content, in one piece of memory.

    One piece is large enough for large pages sooner than three: filling three of 90 days costs 3 ms in page faults.
    """
    at, value, flags = np.int64().itemsize, np.float64().itemsize, np.int16().itemsize
    held = np.empty(count * (at + value + flags), np.uint8)
    ends = np.cumsum([count * at, count * value])
    return DayArrays(
        held[: ends[0]].view(np.int64), held[ends[0] : ends[1]].view(np.float64), held[ends[1] :].view(np.int16)
    )


def joined(parts: Sequence[DayArrays]) -> DayArrays:
    """Return readings one part after the other."""
    return DayArrays(
        np.concatenate([part.at for part in parts]),
        np.concatenate([part.value for part in parts]),
        np.concatenate([part.flags for part in parts]),
    )


def arrays_of(rows: Any) -> DayArrays:  # noqa: ANN401 - a driver's cursor, or tuples
    """Return (at, value, flags) rows as arrays, in order of time."""
    table = np.fromiter(rows, dtype=_ROW)
    if len(table) > 1 and bool((np.diff(table["at"]) < 0).any()):
        table = table[np.argsort(table["at"], kind="stable")]
    at, value, flags = (np.ascontiguousarray(table[name]) for name in ("at", "value", "flags"))
    return DayArrays(at, value, flags)


def merged_arrays(parts: Sequence[DayArrays]) -> tuple[DayArrays, Times]:
    """Return readings of one channel put together in order of time, and where each was.

    Where several have the same time, the one in the earlier part counts: what was stored first is never rewritten.
    """
    together = joined(parts)
    _, chosen = np.unique(together.at, return_index=True)
    return together.picked(chosen), chosen


def checksum_of(channel_id: int, day: int, readings: int, body: bytes) -> bytes:
    """Return the checksum of a block: of its bytes, and of whose and how many readings they are."""
    digest = hashlib.blake2b(_KEY.pack(channel_id, day, readings), digest_size=_CHECKSUM_BYTES)
    digest.update(body)
    return digest.digest()


def summary_checksum_of(row: Mapping[str, Any]) -> int:
    """Return the checksum of what stands beside the bytes: CRC-32 finds any flipped bit."""
    return checksum_of_columns(tuple(row[name] for name in NUMBERS + FRACTIONS))


def checksum_of_columns(columns: tuple[Any, ...]) -> int:
    """Return the same of the columns `NUMBERS` and `FRACTIONS`, in their order."""
    if None in columns:
        columns = tuple(_NULL if column is None else column for column in columns)
    return zlib.crc32(_SUMMARY.pack(*columns))


def summary_of(channel_id: int, day: int, arrays: DayArrays) -> dict[str, Any]:
    """Return what is kept beside the bytes, by the names of the columns."""
    at, value, flags = arrays
    spacing = np.diff(at)
    seen = int(np.bitwise_or.reduce(flags))
    fit = np.flatnonzero((flags & _UNFIT) == 0) if seen & _UNFIT else None
    when, what = (at, value) if fit is None else (at[fit], value[fit])
    row: dict[str, Any] = {
        "channel_id": channel_id, "day": day, "readings": len(at), "fit": len(when), "flags": seen,
        "common_flags": int(np.bitwise_and.reduce(flags)),
        "first_ms": int(at[0]), "last_ms": int(at[-1]),
        "spacing_ms": int(np.median(spacing)) if len(spacing) else 0,
        "longest_ms": int(spacing.max()) if len(spacing) else 0,
    }  # fmt: skip
    row |= dict.fromkeys(("low_ms", "high_ms", *FRACTIONS))
    if len(when):
        low, high = int(np.argmin(what)), int(np.argmax(what))
        row["low_ms"], row["high_ms"] = int(when[low]), int(when[high])
        found = (what[0], what[-1], what[low], what[high], (what / len(what)).sum())
        # A negative zero is a zero here: a database may not tell them apart.
        row |= {name: float(number) + 0.0 for name, number in zip(FRACTIONS, found, strict=True)}
    row["summary_checksum"] = summary_checksum_of(row)
    return row


def write_block(session: Session, channel_id: int, day: int, arrays: DayArrays) -> None:
    """Write a day as one row, in place of what stood there.

    Raises
    ------
    StoreDamaged
        When the readings do not come back from the bytes as they were: nothing is written then.
    """
    body = encode_day(day, *arrays)
    back = decode_day(body, day, len(arrays.at))
    if any(given.tobytes() != found.tobytes() for given, found in zip(arrays, back, strict=True)):
        raise StoreDamaged(
            f"channel {channel_id}, {from_ms(day * DAY_MS):%Y-%m-%d} (UTC): the readings cannot be packed unchanged "
            "and are left as they were; check this computer's memory"
        )
    row = summary_of(channel_id, day, arrays)
    row |= {"checksum": checksum_of(channel_id, day, len(arrays.at), body), "body": body}
    connection = session.connection()
    connection.execute(_replacing(connection.dialect.name), row)


@cache
def _replacing(dialect: str) -> sa.Insert:
    """Return the statement that writes a block in place of what stood there: making it costs more than running it."""
    insert = (sqlite.insert if dialect == "sqlite" else postgresql.insert)(_BLOCK)
    new = {column.name: insert.excluded[column.name] for column in _BLOCK.columns if not column.primary_key}
    return insert.on_conflict_do_update(index_elements=["channel_id", "day"], set_=new)


def read_blocks(session: Session, channel_id: int, start_ms: int, end_ms: int) -> DayArrays | None:
    """Return the sealed readings of a channel with start_ms <= at < end_ms; None when there are none.

    A block that is damaged is left out and named in the log: its day is a gap, never a wrong number.
    """
    rows = _sound(session, channel_id, start_ms // DAY_MS, (end_ms - 1) // DAY_MS)
    if not rows:
        return None
    ends = np.cumsum([row[1] for row in rows])
    arrays = _unfilled(int(ends[-1]))
    broken: list[tuple[int, int]] = []
    for (day, count, _, body), end in zip(rows, ends.tolist(), strict=True):
        try:
            decode_into(body, day, *arrays.picked(slice(end - count, end)))
        except BytesDamagedError as exc:
            _log_damage(channel_id, day, str(exc))
            broken.append((end - count, end))
    if broken:
        lost = np.concatenate([np.arange(*span) for span in broken])
        arrays = arrays.picked(np.delete(np.arange(ends[-1]), lost))
    low, high = (int(edge) for edge in np.searchsorted(arrays.at, (start_ms, end_ms)))
    return arrays.picked(slice(low, high))


def load_day(session: Session, channel_id: int, day: int) -> DayArrays | None:
    """Return the readings of a sealed day; None when it is not sealed, damaged, or only its summary is kept."""
    for _, count, _, body in _sound(session, channel_id, day, day):
        try:
            return DayArrays(*decode_day(body, day, count))
        except BytesDamagedError as exc:
            _log_damage(channel_id, day, str(exc))
    return None


def _sound(session: Session, channel_id: int, first: int, last: int) -> list[Any]:
    """Return the blocks of those days that are as they were written."""
    held = _select(session, channel_id, first, last)
    found = [row for row in held if checksum_of(channel_id, row[0], row[1], row[3]) == row[2]]
    if len(found) < len(held):
        days = {row[0] for row in found}
        for day in (row[0] for row in held if row[0] not in days):
            _log_damage(channel_id, day, "its bytes are not those that were written")
    return found


def _select(session: Session, channel_id: int, first: int, last: int) -> list[Any]:
    """Return day, readings, checksum and body of each block of those days, by the driver's own cursor."""
    with driver_cursor(session) as (cursor, mark):
        cursor.execute(
            f"SELECT {', '.join(_HELD)} FROM reading_block WHERE channel_id = {mark} "  # noqa: S608 - the marks are ours
            f"AND day >= {mark} AND day <= {mark} AND body IS NOT NULL ORDER BY day",
            (channel_id, first, last),
        )
        return list(cursor.fetchall())


def _log_damage(channel_id: int, day: int, reason: str) -> None:
    log.error("block_damaged", channel_id=channel_id, day=f"{from_ms(day * DAY_MS):%Y-%m-%d}", reason=reason)


def sealed_until(session: Session) -> int:
    """Return the latest day of which anything is sealed, counted since 1970."""
    return session.connection().exec_driver_sql("SELECT value FROM counter WHERE name = 'sealed'").scalar_one()


def note_sealed(session: Session, day: int) -> None:
    """Note that a day has been sealed."""
    session.connection().execute(
        sa.text("UPDATE counter SET value = :day WHERE name = 'sealed' AND value < :day"), {"day": day}
    )


def add_to_blocks(session: Session, rows: Sequence[NewRow]) -> tuple[Sequence[NewRow], int]:
    """Take out those readings whose day is sealed, and seal their days again with them, in the caller's transaction.

    Returns
    -------
    sequence of (channel_id, at_ms, value, flags), int
        The others, to be stored as rows; and how many of those taken were new. Readings of a day that is damaged, or
        of which retention has kept the summary alone, stay among the others.
    """
    latest = sealed_until(session)
    by_day: dict[tuple[int, int], list[NewRow]] = {}
    others: list[NewRow] = []
    for row in rows:
        if row[1] // DAY_MS <= latest:
            by_day.setdefault((row[0], row[1] // DAY_MS), []).append(row)
        else:
            others.append(row)
    stored = 0
    for (channel_id, day), late in sorted(by_day.items()):
        block = load_day(session, channel_id, day)
        if block is None:
            others.extend(late)
            continue
        hot = take_rows(session, channel_id, day * DAY_MS, (day + 1) * DAY_MS)
        new = arrays_of((at, value, flags) for _, at, value, flags in late)
        together, chosen = merged_arrays([block, hot, new])
        added = int((chosen >= len(block.at) + len(hot.at)).sum())
        if added or len(hot.at):
            write_block(session, channel_id, day, together)
        stored += added
    return others, stored


def read_rows(session: Session, channel_id: int, start_ms: int, end_ms: int) -> DayArrays:
    """Return the rows of a channel with start_ms <= at < end_ms, by the driver's own cursor.

    Rows of Python objects would cost more than the read.
    """
    with driver_cursor(session) as (cursor, mark):
        cursor.execute(
            f"SELECT at_ms, value, flags FROM reading WHERE channel_id = {mark} AND at_ms >= {mark} AND at_ms < {mark} "  # noqa: S608 - the marks are ours
            "ORDER BY at_ms",
            (channel_id, start_ms, end_ms),
        )
        return arrays_of(cursor)


def take_rows(session: Session, channel_id: int, start_ms: int, end_ms: int) -> DayArrays:
    """Take the rows of a channel with start_ms <= at < end_ms out of the table of readings, and return them.

    Raises
    ------
    StoreUnusable
        When rows came in between: the transaction must be given up, and can be tried again.
    """
    rows = read_rows(session, channel_id, start_ms, end_ms)
    with driver_cursor(session) as (cursor, mark):
        cursor.execute(
            f"DELETE FROM reading WHERE channel_id = {mark} AND at_ms >= {mark} AND at_ms < {mark}",  # noqa: S608 - the marks are ours
            (channel_id, start_ms, end_ms),
        )
        if cursor.rowcount != len(rows.at):
            raise StoreUnusable(f"channel {channel_id}: its readings changed while they were sealed; try again")
    return rows


@contextmanager
def driver_cursor(session: Session) -> Iterator[tuple[Any, str]]:
    """Give the driver's own cursor, and its mark for a parameter."""
    connection = session.connection()
    cursor = connection.connection.cursor()
    try:
        yield cursor, "?" if connection.dialect.name == "sqlite" else "%s"
    finally:
        cursor.close()


def _within(day: int) -> int:
    """Return a day that the column can hold: none is sealed beyond."""
    return max(-_LATEST_DAY, min(day, _LATEST_DAY))


def first_sealed_day(session: Session, channel_id: int, start_ms: int) -> int | None:
    """Return the first day of a channel, from that instant's on, whose readings are sealed."""
    first = sa.select(sa.func.min(_BLOCK.c.day)).where(_BLOCK.c.channel_id == channel_id, _BLOCK.c.body.is_not(None))
    return session.execute(first.where(_BLOCK.c.day >= _within(start_ms // DAY_MS))).scalar_one()


def last_sealed_day(session: Session, channel_id: int, before: int) -> int | None:
    """Return the last day of a channel before that one whose readings are sealed."""
    last = sa.select(sa.func.max(_BLOCK.c.day)).where(_BLOCK.c.channel_id == channel_id, _BLOCK.c.body.is_not(None))
    return session.execute(last.where(_BLOCK.c.day < _within(before))).scalar_one()


def count_sealed(session: Session, channel_id: int, start_ms: int, end_ms: int) -> int:
    """Return how many sealed readings of a channel there are with start_ms <= at < end_ms: whole days by their rows."""
    whole, until = -(-start_ms // DAY_MS), end_ms // DAY_MS
    if whole >= until:
        part = read_blocks(session, channel_id, start_ms, end_ms)
        return 0 if part is None else len(part.at)
    count = sa.select(sa.func.coalesce(sa.func.sum(_BLOCK.c.readings), 0)).where(
        _BLOCK.c.channel_id == channel_id,
        _BLOCK.c.day >= _within(whole),
        _BLOCK.c.day < _within(until),
        _BLOCK.c.body.is_not(None),
    )
    edges = [
        read_blocks(session, channel_id, *edge)
        for edge in ((start_ms, whole * DAY_MS), (until * DAY_MS, end_ms))
        if edge[0] < edge[1]
    ]
    return session.execute(count).scalar_one() + sum(len(edge.at) for edge in edges if edge is not None)
