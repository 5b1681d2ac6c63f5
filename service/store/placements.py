"""Where a channel stands from a time on: entered as new rows, so that the past stays as it was."""

from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa
from sqlmodel import Session, select

from service.errors import BadUse, Refused
from service.model import Change, Channel, Enclosure, Placement, table_of
from service.store.facts import current
from service.store.readings import next_number


@dataclass(frozen=True, slots=True)
class Entry:
    """Who enters a fact, and when."""

    by: str
    at: datetime


def move_channel(
    session: Session, channel: Channel, place: tuple[Enclosure, str] | None, from_at: datetime, entry: Entry
) -> None:
    """Let a channel stand elsewhere from a time on.

    Parameters
    ----------
    session : Session
        Of `Store.write`.
    channel : Channel
    place : (Enclosure, zone) or None
        None: nowhere from then on.
    from_at : datetime
        Not before it was last moved, and not ahead of `entry.at`.
    entry : Entry

    Raises
    ------
    BadUse
        The time is ahead, or before the last move: that would rewrite the past.
    Refused
        It stands there already.
    """
    if from_at > entry.at:
        raise BadUse("from: a probe is moved when it is moved; give the present or a time that is past")
    standing = [row for row in current(session, Placement) if row.channel_id == channel.id]
    last = max(standing, key=lambda row: row.from_at, default=None)
    before = None
    if last is not None:
        if from_at < last.from_at:
            raise BadUse(f"from: {channel.key} was last moved at {last.from_at.isoformat()}; give a later time")
        is_there = last.until_at is None or last.until_at > from_at
        if is_there and place is not None and (last.enclosure_id, last.zone) == (place[0].id, place[1]):
            raise Refused(f"{channel.key} stands there already")
        before = _shown(session, last)
        if is_there:
            _end(session, last, from_at, entry)
    if place is not None:
        row = Placement(
            channel_id=channel.id or 0, enclosure_id=place[0].id or 0, zone=place[1], from_at=from_at,
            entered_by=entry.by, entered_at=entry.at,
        )  # fmt: skip
        session.add(row)
    after = None if place is None else {"enclosure_id": place[0].key, "zone": place[1], "from_at": from_at.isoformat()}
    session.add(Change(at=entry.at, by=entry.by, subject=f'channel "{channel.key}"', before=before, after=after))
    session.flush()
    next_number(session, "facts")


def _end(session: Session, row: Placement, at: datetime, entry: Entry) -> None:
    """Let a placement end: a new row in its place; where nothing of it is left, one that is withdrawn."""
    nothing_left = row.from_at == at
    session.add(
        Placement(
            channel_id=row.channel_id, enclosure_id=row.enclosure_id, zone=row.zone, from_at=row.from_at,
            until_at=row.until_at if nothing_left else at, entered_by=entry.by, entered_at=entry.at,
            replaces_id=row.id, withdrawn=nothing_left,
        )
    )  # fmt: skip


def _shown(session: Session, row: Placement) -> dict[str, object]:
    enclosure = session.get(Enclosure, row.enclosure_id)
    return {
        "enclosure_id": enclosure.key if enclosure else None,
        "zone": row.zone,
        "from_at": row.from_at.isoformat(),
    }


def channel_row(session: Session, key: str) -> Channel | None:
    """Return a channel in use by its key."""
    table = table_of(Channel)
    return session.exec(select(Channel).where(table.c.key == key, table.c.retired_at.is_(None))).first()


def enclosure_row(session: Session, key: str) -> Enclosure | None:
    """Return an enclosure in use by its key."""
    table = table_of(Enclosure)
    return session.exec(select(Enclosure).where(table.c.key == key, table.c.retired_at.is_(None))).first()


def is_probe_known(session: Session, key: str) -> bool:
    """Whether a probe of that key was ever entered, retired ones too."""
    probe = sa.table("probe", sa.column("key"))
    return session.execute(sa.select(probe.c.key).where(probe.c.key == key)).first() is not None
