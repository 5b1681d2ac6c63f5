"""A store copied into another database, with checksums; the copy goes on where it was cut off."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Final, TypeAlias

import sqlalchemy as sa
from sqlalchemy.engine import Connection, make_url
from sqlmodel import Session

from service.errors import BadUse, Refused, StoreDamaged
from service.model import Channel, Counter, Site, from_ms, table_of
from service.store.bulk import copy_arrays
from service.store.checksums import (
    READING,
    ChannelSum,
    DayDigester,
    Sum,
    add_rows,
    channel_tables,
    channels_with_readings,
    fact_tables,
    raw_readings,
    rows_of,
    sum_channel,
    sum_table,
)
from service.store.engine import UNFINISHED, Store, describe, open_store
from service.store.readings import DAY_MS, StoredReadings, count_all

Progress: TypeAlias = Callable[[int, int], None]
"""Told how many readings are done, and of how many."""
_WRITES: Final = ("write", "facts")
"""Counters that stand at 0 while nothing was ever written; others begin elsewhere."""
_SOURCE: Final = "source"
_FACTS: Final = "facts"
_NOTE: Final = sa.Table(
    UNFINISHED,
    sa.MetaData(),
    sa.Column("part", sa.String, primary_key=True),
    sa.Column("said", sa.String, nullable=False),
)
_INSERT: Final = "INSERT INTO reading (channel_id, at_ms, value, flags) VALUES (?, ?, ?, ?)"


@dataclass(frozen=True, slots=True)
class Moved:
    """What was copied and compared."""

    tables: int
    rows: int
    channels: int
    channel_days: int
    readings: int
    resumed: bool


def move_store(source_url: str, target_url: str, progress: Progress = lambda _done, _total: None) -> Moved:
    """Copy a store into another, empty database, and compare the two; run again after a break, it goes on.

    Parameters
    ----------
    source_url, target_url : str
        SQLAlchemy URLs, as `WARDIAN_DATABASE` takes them.

    Raises
    ------
    BadUse
        There is no source, or both are the same.
    Refused
        The target holds anything but a half-done copy of this source; or the source was written to meanwhile.
    StoreDamaged
        A table or a day of a channel is not in the target as it is in the source; it is named.
    """
    _require_source(source_url, target_url)
    with _opened(source_url) as source, _opened(target_url, unfinished=True) as target, source.read() as session:
        before = _counters(session)
        resumed = _begin(target, describe(source_url))
        if not _same_facts(session, target):
            _copy_facts(session, target)
        sums = _copy_channels(session, target, progress)
        moved = _compare(session, target, sums, resumed=resumed)
        with source.read() as later:
            if _counters(later) != before:
                raise Refused(
                    f"{describe(source_url)} was written to while it was copied: stop Wardian, then run this again; "
                    "it copies what has changed"
                )
        _finish(target)
    return moved


def _require_source(source_url: str, target_url: str) -> None:
    if describe(source_url) == describe(target_url):
        raise BadUse(f"FROM and TO are the same database, {describe(source_url)}; name another one")
    parsed = make_url(source_url)
    if parsed.get_backend_name() == "sqlite" and not Path(parsed.database or "").is_file():
        raise BadUse(f"{parsed.database}: there is no such database; FROM names the one to copy")


@contextmanager
def _opened(url: str, *, unfinished: bool = False) -> Iterator[Store]:
    store = open_store(url, unfinished=unfinished)
    try:
        yield store
    finally:
        store.close()


def _counters(session: Session) -> dict[str, int]:
    counter = table_of(Counter)
    return {row[0]: row[1] for row in session.execute(sa.select(counter.c.name, counter.c.value))}


def _begin(target: Store, source: str) -> bool:
    """Note in the target what it becomes a copy of; whether it was half done already."""
    with target.write() as session:
        connection = session.connection()
        if sa.inspect(connection).has_table(UNFINISHED):
            began = session.execute(sa.select(_NOTE.c.said).where(_NOTE.c.part == _SOURCE)).scalar()
            if began != source:
                raise Refused(f"the target is a half-done copy of {began}, not of {source}; name an empty database")
            return True
        if not is_empty(session):
            site = session.execute(sa.select(table_of(Site).c.name)).scalar()
            raise Refused(f"the target holds a room already ({site or 'without a name'}); name an empty database")
        _NOTE.create(connection)
        session.execute(_NOTE.insert(), [{"part": _SOURCE, "said": source}])
    return False


def is_empty(session: Session) -> bool:
    """Whether a store has its tables and nothing in them."""
    counters = _counters(session)
    if any(counters.get(name) for name in _WRITES) or any(True for _ in channels_with_readings(session)):
        return False
    return not any(
        session.execute(sa.select(sa.literal(1)).select_from(table).limit(1)).scalar()
        for table in fact_tables()
        if table.name != Counter.__tablename__
    )


def _same_facts(source: Session, target: Store) -> bool:
    with target.read() as session:
        if session.execute(sa.select(_NOTE.c.said).where(_NOTE.c.part == _FACTS)).scalar() is None:
            return False
        return all(sum_table(source, table) == sum_table(session, table) for table in fact_tables())


def _copy_facts(source: Session, target: Store) -> None:
    with target.write() as session:
        session.execute(_NOTE.delete().where(_NOTE.c.part != _SOURCE))
        clear(session)
        copy_facts(source, session)
        session.execute(_NOTE.insert(), [{"part": _FACTS, "said": "copied"}])


def clear(target: Session) -> None:
    """Empty every table, in the caller's transaction."""
    connection = target.connection()
    names = [READING, *(table.name for table in reversed([*fact_tables(), *channel_tables()]))]
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql("TRUNCATE " + ", ".join(f'"{name}"' for name in names))
        return
    for name in names:
        connection.exec_driver_sql(f'DELETE FROM "{name}"')  # noqa: S608 - the names are our tables'


def copy_facts(source: Session, target: Session) -> None:
    """Copy the tables that are taken whole into empty ones, in the caller's transaction."""
    for table in fact_tables():
        _copy_rows(source, target, table)
    _set_sequences(target.connection())


def _copy_rows(
    source: Session,
    target: Session,
    table: sa.Table,
    channel_id: int | None = None,
    seen: Callable[[sa.Table, Sequence[Any]], None] = lambda _table, _rows: None,
) -> Sum:
    total, names = Sum(), [column.name for column in table.columns]
    for rows in rows_of(source, table, channel_id):
        add_rows(total, rows)
        seen(table, rows)
        target.connection().execute(table.insert(), [dict(zip(names, row, strict=True)) for row in rows])
    return total


def _set_sequences(connection: Connection) -> None:
    """Let PostgreSQL number new rows after those that came with their numbers."""
    if connection.dialect.name != "postgresql":
        return
    for table in fact_tables():
        if "id" in table.c and isinstance(table.c.id.type, sa.Integer):
            name = f'"{table.name}"'
            connection.exec_driver_sql(
                f"SELECT setval(pg_get_serial_sequence('{name}', 'id'), coalesce(max(id), 0) + 1, false) FROM {name}"  # noqa: S608 - ours
            )


def copy_channel(source: Session, target: Session, channel_id: int, progress: Callable[[int], None]) -> ChannelSum:
    """Copy what is stored of a channel, in the caller's transaction, and return what it was in the source."""
    days, connection = DayDigester(), target.connection()
    for part in raw_readings(source, channel_id):
        days.add(part)
        _insert(connection, channel_id, part)
        progress(len(part))
    copied = ChannelSum(days.digests(), days.counts)
    for table in channel_tables():
        copied.others[str(table.name)] = _copy_rows(source, target, table, channel_id, copied.add_sealed)
    progress(sum(copied.sealed_counts.values()))
    return copied


def _insert(connection: Connection, channel_id: int, part: StoredReadings) -> None:
    if connection.dialect.name == "postgresql":
        copy_arrays(connection, channel_id, part.at, part.value, part.flags)
        return
    driver: Any = connection.connection.driver_connection
    rows = zip([channel_id] * len(part), part.at.tolist(), part.value.tolist(), part.flags.tolist(), strict=True)
    driver.executemany(_INSERT, rows)


def _copy_channels(source: Session, target: Store, progress: Progress) -> dict[int, ChannelSum]:
    """Copy channel by channel, each in a transaction of its own with a note that it is done."""
    done, total, sums = 0, count_all(source), {}

    def advance(rows: int) -> None:
        nonlocal done
        done += rows
        progress(done, total)

    with target.read() as session:
        notes = {row[0]: row[1] for row in session.execute(sa.select(_NOTE.c.part, _NOTE.c.said))}
        there = set(channels_with_readings(session))
    for channel_id in channels_with_readings(source):
        there.discard(channel_id)
        if (noted := notes.get(str(channel_id))) is not None:
            sums[channel_id] = sum_channel(source, channel_id)
            if str(sums[channel_id]) == noted:
                advance(sums[channel_id].readings)
                continue
        with target.write() as session:
            _remove_channel(session, channel_id)
            sums[channel_id] = copy_channel(source, session, channel_id, advance)
            session.execute(_NOTE.insert(), [{"part": str(channel_id), "said": str(sums[channel_id])}])
    with target.write() as session:
        for channel_id in there:
            _remove_channel(session, channel_id)
    return sums


def _remove_channel(target: Session, channel_id: int) -> None:
    target.execute(_NOTE.delete().where(_NOTE.c.part == str(channel_id)))
    reading = sa.table(READING, sa.column("channel_id"))
    for table in (reading, *channel_tables()):
        target.execute(sa.delete(table).where(table.c.channel_id == channel_id))


def _compare(source: Session, target: Store, sums: dict[int, ChannelSum], *, resumed: bool) -> Moved:
    """Read the copy back and compare it with what the source gave."""
    rows = 0
    with target.read() as session:
        for table in fact_tables():
            there = sum_table(session, table)
            _require_same(table.name, sum_table(source, table), there)
            rows += there.rows
        names = channel_names(session)
        for channel_id, expected in sums.items():
            require_same_channel(names.get(channel_id, str(channel_id)), expected, sum_channel(session, channel_id))
            rows += sum(total.rows for total in expected.others.values())
        if extra := set(channels_with_readings(session)) - sums.keys():
            raise StoreDamaged(f"the copy has readings of channels that the source has none of: {sorted(extra)}")
    readings, days = (sum(getattr(total, name) for total in sums.values()) for name in ("readings", "with_readings"))
    tables = len(fact_tables()) + len(channel_tables()) + 1
    return Moved(tables, rows, len(sums), days, readings, resumed)


def _require_same(table: str, expected: Sum, there: Sum) -> None:
    if expected != there:
        raise StoreDamaged(
            f"table {table}: the copy is not the same ({there.rows} of {expected.rows} rows, or other contents); "
            "check the disk and the memory of the target, and copy into an empty database"
        )


def require_same_channel(channel: str, expected: ChannelSum, there: ChannelSum) -> None:
    """Compare a channel with its copy.

    Raises
    ------
    StoreDamaged
        Naming the channel and the first day that differs.
    """
    for before, after in ((expected.days, there.days), (expected.sealed, there.sealed)):
        for day in sorted(before.keys() | after.keys()):
            if before.get(day) != after.get(day):
                said = "the copy's readings are not the same; copy it again"
                raise StoreDamaged(f"{channel} on {_date(day)} (UTC): {said}")
    for name, total in expected.others.items():
        _require_same(f"{name} of {channel}", total, there.others[name])


def _date(day: int) -> date:
    return from_ms(day * DAY_MS).date()


def channel_names(session: Session) -> dict[int, str]:
    """Return the keys of the channels by their ids."""
    channel = table_of(Channel)
    return {row[0]: row[1] for row in session.execute(sa.select(channel.c.id, channel.c.key))}


def _finish(target: Store) -> None:
    """Count its rows for the planner; then, last of all, make it a store like any other."""
    with target.write() as session:
        session.connection().exec_driver_sql("ANALYZE")
    with target.write() as session:
        _NOTE.drop(session.connection())
