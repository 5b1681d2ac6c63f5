"""Whether a store is sound: its pages, what its rows refer to, its counters, its days."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Final, TypeAlias

import sqlalchemy as sa
from sqlmodel import Session, SQLModel

from service.model import (
    TURN_BITS,
    Channel,
    ChannelDay,
    ChannelState,
    Counter,
    Reading,
    ReadingBlock,
    from_ms,
    table_of,
)
from service.store.block_checks import check_blocks
from service.store.checksums import channel_tables, channels_with_readings
from service.store.readings import DAY_MS, read_readings

_READING, _CHANNEL, _STATE = table_of(Reading), table_of(Channel), table_of(ChannelState)
_COUNTER, _DAY, _BLOCK = table_of(Counter), table_of(ChannelDay), table_of(ReadingBlock)
_NEEDED: Final = ("write", "facts", "sealed")
_TOLD: Final = 20
_LAST_DAY: Final = 2_932_896  # 9999-12-31
GapDays: TypeAlias = tuple[str, date, date]
"""A channel's key, and the first and last UTC day of a span without readings between days with some."""


@dataclass(frozen=True, slots=True)
class Damage:
    """Something that is not as it was written, and what to do about it."""

    said: str


def check_store(session: Session) -> list[Damage]:
    """Return what is wrong with a store, the most serious first; empty when it is sound.

    Parameters
    ----------
    session : Session
        Of `Store.read`; nothing is changed.
    """
    pages = check_pages(session)
    if pages:
        return pages
    days = [Damage(damage.said) for damage in check_blocks(session)]
    return [*days, *check_references(session), *check_counters(session), *check_newest(session)]


def check_pages(session: Session) -> list[Damage]:
    """Let SQLite go through its pages; PostgreSQL checks its own as it reads them."""
    connection = session.connection()
    if connection.dialect.name != "sqlite":
        return []
    said = [str(row[0]) for row in connection.exec_driver_sql(f"PRAGMA quick_check({_TOLD})")]
    if said == ["ok"]:
        return []
    return [
        Damage(f"the database file is damaged ({line}); stop Wardian and restore a backup: wardian restore FILE")
        for line in said
    ]


def check_references(session: Session) -> list[Damage]:
    """Find rows that refer to rows that are not there."""
    found = []
    for table, column, to in _references():
        there = sa.select(to.c.id).where(to.c.id == table.c[column])
        orphans = sa.select(sa.func.count()).select_from(table).where(table.c[column].is_not(None), ~there.exists())
        if count := session.execute(orphans).scalar_one():
            found.append(
                Damage(
                    f"{table.name}: {count} rows whose {column} names no {_plain(to)}; what they say is left out "
                    "everywhere; restore a backup to have it back"
                )
            )
    channels = {row[0] for row in session.execute(sa.select(_CHANNEL.c.id))}
    lost = [channel_id for channel_id in channels_with_readings(session) if channel_id not in channels]
    found += [Damage(f"reading: readings of channel {number}, which is not there; they are kept") for number in lost]
    return found


def _references() -> Iterator[tuple[sa.Table, str, sa.Table]]:
    """Yield table, column, and the table that its ids are of."""
    for table in SQLModel.metadata.sorted_tables:
        for key in table.foreign_keys:
            yield table, key.parent.name, key.column.table
        if "replaces_id" in table.c:
            # A fact that was replaced stays: the history of corrections is read along these.
            yield table, "replaces_id", table.alias()  # pyright: ignore[reportReturnType] - an alias has the columns


def _plain(table: sa.Table) -> str:
    """Name a table that may stand under another name in a query."""
    return str(getattr(table, "element", table).name)


def check_counters(session: Session) -> list[Damage]:
    """Find counters that are missing, or behind what was numbered by them."""
    values = {row[0]: row[1] for row in session.execute(sa.select(_COUNTER.c.name, _COUNTER.c.value))}
    found = [
        Damage(f"counter: {name} is missing, so nothing new can be stored; restore a backup")
        for name in _NEEDED
        if name not in values
    ]
    for table in (_STATE, _DAY):
        newest = session.execute(sa.select(sa.func.max(table.c.write))).scalar()
        if newest is not None and newest > values.get("write", newest):
            found.append(
                Damage(
                    f"counter: write stands at {values['write']}, but {table.name} knows of write {newest}; "
                    "pages may miss new readings; restore a backup"
                )
            )
    return found


def check_newest(session: Session) -> list[Damage]:
    """Find channels whose newest reading is not what their state says."""
    columns = (_STATE.c.channel_id, _STATE.c.at_ms, _STATE.c.flags)
    states = {row[0]: (row[1], row[2] & TURN_BITS) for row in session.execute(sa.select(*columns))}
    names, found = _names(session), []
    for channel_id in channels_with_readings(session):
        newest = [
            session.execute(sa.select(sa.func.max(table.c[name])).where(table.c.channel_id == channel_id)).scalar()
            for table, name in ((_READING, "at_ms"), (_BLOCK, "last_ms"))
        ]
        at_ms = max((at for at in newest if at is not None), default=None)
        if at_ms is None:
            continue
        noted_ms, turn = states.get(channel_id, (at_ms - 1, None))
        if at_ms > noted_ms and turn in {None, _turn_of(session, channel_id, at_ms)}:
            said = f"{names.get(channel_id, channel_id)}: its newest reading, of {_iso(at_ms)}, is not noted as such"
            found.append(Damage(f"{said}; the next one that comes in mends that"))
    return found


def _turn_of(session: Session, channel_id: int, at_ms: int) -> int:
    """Return the turn of a reading: one from before the clock was set back may be of a later time than the newest."""
    flags = read_readings(session, channel_id, at_ms, at_ms + 1).flags
    return int(flags[0]) & TURN_BITS if len(flags) else 0


def _iso(at_ms: int) -> str:
    return from_ms(at_ms).isoformat(timespec="milliseconds")


def gaps_between_days(session: Session) -> list[GapDays]:
    """Return the whole UTC days without readings between others of the same channel: lost, or never sent."""
    names = _names(session)
    return [
        (names.get(channel_id, str(channel_id)), _date(before + 1), _date(after - 1))
        for channel_id in channels_with_readings(session)
        for before, after in pairwise(sorted(_days(session, channel_id)))
        if after > before + 1
    ]


def _days(session: Session, channel_id: int) -> set[int]:
    """Return the UTC days of which a channel has readings, by one look at the index for each."""
    days: set[int] = set()
    for table in channel_tables():
        if "body" in table.c:
            days |= set(session.execute(sa.select(table.c.day).where(table.c.channel_id == channel_id)).scalars())
    first = sa.select(sa.func.min(_READING.c.at_ms)).where(_READING.c.channel_id == channel_id)
    at_ms = session.execute(first).scalar()
    while at_ms is not None:
        days.add(at_ms // DAY_MS)
        at_ms = session.execute(first.where(_READING.c.at_ms >= (at_ms // DAY_MS + 1) * DAY_MS)).scalar()
    return days


def _names(session: Session) -> dict[int, str]:
    return {row[0]: row[1] for row in session.execute(sa.select(_CHANNEL.c.id, _CHANNEL.c.key))}


def _date(day: int) -> date:
    return from_ms(min(day, _LAST_DAY) * DAY_MS).date()


def in_few_words(damages: Iterable[Damage]) -> list[str]:
    """Return what was found, at most so many lines as a person reads."""
    said = [damage.said for damage in damages]
    return said if len(said) <= _TOLD else [*said[:_TOLD], f"… and {len(said) - _TOLD} more"]
