"""What a store holds, told in numbers that can be compared with those of its copy, whichever database that is in."""

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, Final, TypeAlias

import numpy as np
import sqlalchemy as sa
from sqlmodel import Session, SQLModel

import service.model  # noqa: F401 - the tables must be known
from service.store.readings import DAY_MS, StoredReadings

READING: Final = "reading"
BLOCK: Final = "reading_block"
_CHUNK: Final = 100_000
_ROWS_AT_ONCE: Final = 2_000
_BEFORE_ALL: Final = -(2**62)
_WIDTH: Final = 16
_WRAP: Final = 1 << (8 * _WIDTH)
_ROW: Final = np.dtype([("at", np.int64), ("value", np.float64), ("flags", np.int16)])
DayDigests: TypeAlias = dict[int, bytes]
"""Of one channel: UTC day, counted since 1970, to the digest of its readings."""


@dataclass(slots=True)
class Sum:
    """How many rows there are, and a sum of their digests, which their order does not change."""

    rows: int = 0
    total: int = 0

    def add(self, digest: bytes, rows: int = 1) -> None:
        """Count a digest in."""
        self.rows += rows
        self.total = (self.total + int.from_bytes(digest, "big")) % _WRAP

    def __str__(self) -> str:
        """Return rows and checksum as they are written down."""
        return f"{self.rows}:{self.total:0{2 * _WIDTH}x}"


@dataclass(slots=True)
class ChannelSum:
    """What is stored of one channel: its rows of readings by day, its sealed days, and its rows in other tables.

    `counts` and `sealed_counts` say how many readings each day has as rows, and in its block.
    """

    days: DayDigests = field(default_factory=dict)
    counts: dict[int, int] = field(default_factory=dict)
    others: dict[str, Sum] = field(default_factory=dict)
    sealed: DayDigests = field(default_factory=dict)
    sealed_counts: dict[int, int] = field(default_factory=dict)

    @property
    def readings(self) -> int:
        """Return how many readings there are, those of sealed days too."""
        return sum(self.counts.values()) + sum(self.sealed_counts.values())

    @property
    def with_readings(self) -> int:
        """Return how many days have readings."""
        return len(self.days.keys() | self.sealed_counts.keys())

    def add_sealed(self, table: sa.Table, rows: Iterable[Any]) -> None:
        """Note the rows of the table of sealed days; those of other tables are none of its concern."""
        if table.name != BLOCK:
            return
        names = [column.name for column in table.columns]
        day, readings, body = (names.index(name) for name in ("day", "readings", "body"))
        for row in rows:
            self.sealed[row[day]] = digest_of(repr(row).encode())
            if row[body] is not None:
                self.sealed_counts[row[day]] = row[readings]

    def __str__(self) -> str:
        """Return one checksum of it all."""
        parts = [f"{day} {digest.hex()}" for day, digest in sorted(self.days.items())]
        parts += [f"{name} {total}" for name, total in sorted(self.others.items())]
        return digest_of("\n".join(parts).encode()).hex()


def digest_of(data: bytes) -> bytes:
    """Return the digest that rows and days are told by."""
    return hashlib.blake2b(data, digest_size=_WIDTH).digest()


def fact_tables() -> list[sa.Table]:
    """Return the tables that are taken whole, each after those that it refers to."""
    return [mirror(table) for table in SQLModel.metadata.sorted_tables if not _goes_by_channel(table)]


def channel_tables() -> list[sa.Table]:
    """Return the tables that are taken channel by channel, readings left out."""
    tables = SQLModel.metadata.sorted_tables
    return [mirror(table) for table in tables if _goes_by_channel(table) and table.name != READING]


def _goes_by_channel(table: sa.Table) -> bool:
    return "channel_id" in table.primary_key.columns and len(table.primary_key.columns) > 1


def mirror(table: sa.Table) -> sa.Table:
    """Return a table to copy by: nothing that is left open is filled in, and None is NULL in every column."""
    columns = [
        sa.Column(column.name, sa.JSON(none_as_null=True) if isinstance(column.type, sa.JSON) else column.type)
        for column in table.columns
    ]
    return sa.Table(table.name, sa.MetaData(), *columns)


def rows_of(session: Session, table: sa.Table, channel_id: int | None = None) -> Iterator[Sequence[Any]]:
    """Yield lists of rows as tuples; of one channel where it is named."""
    query = sa.select(table)
    if channel_id is not None:
        query = query.where(table.c.channel_id == channel_id)
    for part in session.execute(query.execution_options(yield_per=_ROWS_AT_ONCE)).partitions():
        yield [tuple(row) for row in part]


def sum_table(session: Session, table: sa.Table, channel_id: int | None = None) -> Sum:
    """Return the sum of a table's rows, or of those of one channel."""
    total = Sum()
    for rows in rows_of(session, table, channel_id):
        add_rows(total, rows)
    return total


def add_rows(total: Sum, rows: Iterable[Any]) -> None:
    """Count rows in: as Python writes them, which is alike for both databases."""
    for row in rows:
        total.add(digest_of(repr(row).encode()))


def channels_with_readings(session: Session) -> Iterator[int]:
    """Yield the ids of the channels that have anything stored by channel, in order."""
    tables = [sa.table(READING, sa.column("channel_id")), *channel_tables()]
    last = _BEFORE_ALL
    while True:
        firsts = [
            session.execute(sa.select(sa.func.min(t.c.channel_id)).where(t.c.channel_id > max(last, -(2**31)))).scalar()
            for t in tables
        ]
        found = [first for first in firsts if first is not None]
        if not found:
            return
        last = min(found)
        yield last


def raw_readings(session: Session, channel_id: int) -> Iterator[StoredReadings]:
    """Yield a channel's rows of the table of readings, in order of time and in parts of bounded size."""
    connection = session.connection()
    mark = "?" if connection.dialect.name == "sqlite" else "%s"
    query = (
        f"SELECT at_ms, value, flags FROM reading WHERE channel_id = {mark} AND at_ms > {mark} "  # noqa: S608 - marks
        f"ORDER BY at_ms LIMIT {_CHUNK}"
    )
    last, cursor = _BEFORE_ALL, connection.connection.cursor()
    try:
        while True:
            cursor.execute(query, (channel_id, last))
            rows: Any = cursor
            table = np.fromiter(rows, dtype=_ROW)
            if len(table):
                last = int(table["at"][-1])
                yield StoredReadings(*(np.ascontiguousarray(table[name]) for name in ("at", "value", "flags")))
            if len(table) < _CHUNK:
                return
    finally:
        cursor.close()


class DayDigester:
    """Takes a channel's readings in order of time, part by part, and gives each day's digest."""

    def __init__(self) -> None:
        self._open: dict[int, Any] = {}
        self.counts: dict[int, int] = {}

    def add(self, readings: StoredReadings) -> None:
        """Take the next part."""
        days = readings.at // DAY_MS
        edges = [0, *(np.flatnonzero(np.diff(days)) + 1).tolist(), len(days)]
        for first, last in pairwise(edges):
            day = int(days[first])
            digest = self._open.setdefault(day, hashlib.blake2b(digest_size=_WIDTH))
            # Interleaved, so that it does not matter where a day was parted.
            rows = np.empty(last - first, dtype=[("at", "<i8"), ("value", "<f8"), ("flags", "<i2")])
            rows["at"], rows["value"], rows["flags"] = (
                part[first:last] for part in (readings.at, readings.value, readings.flags)
            )
            digest.update(rows.tobytes())
            self.counts[day] = self.counts.get(day, 0) + last - first

    def digests(self) -> DayDigests:
        """Return what came of it."""
        return {day: digest.digest() for day, digest in self._open.items()}


def sum_channel(session: Session, channel_id: int) -> ChannelSum:
    """Return what is stored of one channel, as it can be compared."""
    days = DayDigester()
    for part in raw_readings(session, channel_id):
        days.add(part)
    found = ChannelSum(days.digests(), days.counts)
    for table in channel_tables():
        total = found.others[str(table.name)] = Sum()
        for rows in rows_of(session, table, channel_id):
            add_rows(total, rows)
            found.add_sealed(table, rows)
    return found


def sum_store(session: Session) -> dict[str, Sum]:
    """Return the sum of every table, by name."""
    sums = {str(table.name): sum_table(session, table) for table in fact_tables()}
    sums |= {str(table.name): Sum() for table in channel_tables()}
    sums[READING] = Sum()
    for channel_id in channels_with_readings(session):
        add_channel(sums, channel_id, sum_channel(session, channel_id))
    return sums


def add_channel(sums: dict[str, Sum], channel_id: int, of_channel: ChannelSum) -> None:
    """Count a channel into the sums of the tables."""
    for day, digest in of_channel.days.items():
        sums[READING].add(digest_of(f"{channel_id} {day} {digest.hex()}".encode()), of_channel.counts[day])
    for name, total in of_channel.others.items():
        sums[name].rows += total.rows
        sums[name].total = (sums[name].total + total.total) % _WRAP
