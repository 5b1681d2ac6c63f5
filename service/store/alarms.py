"""Alarms on record: raised, returned, acknowledged; every transition is kept."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import IntegrityError
from sqlmodel import Session, select

from service.errors import NotFound
from service.model import Alarm, AlarmTransition, EnclosureWatchState, RoomWatchState, WatchState, from_ms, table_of
from service.store.telling import put_on_agenda

_ALARM, _TRANSITION = table_of(Alarm), table_of(AlarmTransition)
_WATCH, _ENCLOSURE_WATCH = table_of(WatchState), table_of(EnclosureWatchState)
_STANDING = ("unacknowledged", "acknowledged")


@dataclass(frozen=True, slots=True)
class WatchMemory:
    """How far the watch has come with a channel, and what it remembers."""

    channel_id: int
    at_ms: int
    memory: dict[str, Any]


def list_alarms(
    session: Session,
    *,
    standing: bool | None = None,
    state: str | None = None,
    priority: str | None = None,
    enclosure_id: int | None = None,
    before_id: int | None = None,
    limit: int = 50,
) -> Sequence[Alarm]:
    """Return alarms, the newest record first; `before_id` continues a list, `standing` asks if the condition holds."""
    query = select(Alarm).order_by(_ALARM.c.id.desc()).limit(limit)
    if standing is not None:
        query = query.where(_ALARM.c.state.in_(_STANDING) if standing else _ALARM.c.state.not_in(_STANDING))
    wanted = ((_ALARM.c.state, state), (_ALARM.c.priority, priority), (_ALARM.c.enclosure_id, enclosure_id))
    for column, value in wanted:
        if value is not None:
            query = query.where(column == value)
    return session.exec(query if before_id is None else query.where(_ALARM.c.id < before_id)).all()


def get_alarm(session: Session, alarm_id: int) -> Alarm:
    """Return an alarm.

    Raises
    ------
    NotFound
        When there is none of that number.
    """
    alarm = session.get(Alarm, alarm_id)
    if alarm is None:
        raise NotFound(f"there is no alarm {alarm_id}")
    return alarm


def alarms_raised_between(
    session: Session, start_ms: int, end_ms: int, enclosure_id: int | None = None
) -> Sequence[Alarm]:
    """Return the alarms raised in [start_ms, end_ms), in order of time. [ms since 1970, UTC]."""
    query = select(Alarm).where(_ALARM.c.raised_at >= from_ms(start_ms), _ALARM.c.raised_at < from_ms(end_ms))
    if enclosure_id is not None:
        query = query.where(_ALARM.c.enclosure_id == enclosure_id)
    return session.exec(query.order_by(_ALARM.c.raised_at, _ALARM.c.id)).all()


def find_alarm(session: Session, condition: str, place: str, raised_at: datetime) -> Alarm | None:
    """Return the record of an alarm that was raised then, if there is one."""
    query = select(Alarm).where(_ALARM.c.condition == condition, _ALARM.c.place == place)
    return session.exec(query.where(_ALARM.c.raised_at == raised_at)).first()


def add_alarm(session: Session, alarm: Alarm) -> bool:
    """Write an alarm down; return False when another watch has done so meanwhile."""
    if session.connection().dialect.name == "sqlite":
        session.add(alarm)
        session.flush()
        return True
    try:
        with session.begin_nested():
            session.add(alarm)
            session.flush()
    except IntegrityError:
        return False
    return True


def lock_alarm(session: Session, alarm: Alarm) -> None:
    """Let nobody else change an alarm until the transaction ends, and see it as it is; SQLite has one writer."""
    if session.connection().dialect.name != "sqlite":
        session.flush()
        session.refresh(alarm, with_for_update=True)


def add_transition(session: Session, alarm: Alarm, transition: AlarmTransition) -> None:
    """Append a change of state to the record, let the alarm stand there, and note that it may have to be told."""
    alarm.state = transition.after
    session.add(alarm)
    session.add(transition)
    put_on_agenda(session, transition)


def transitions_after(session: Session, transition_id: int, limit: int = 1000) -> Sequence[AlarmTransition]:
    """Return the transitions recorded after a number, in order."""
    query = select(AlarmTransition).where(_TRANSITION.c.id > transition_id)
    return session.exec(query.order_by(_TRANSITION.c.id).limit(limit)).all()


def transitions_of(session: Session, alarm_id: int) -> Sequence[AlarmTransition]:
    """Return what happened to an alarm, in order."""
    query = select(AlarmTransition).where(_TRANSITION.c.alarm_id == alarm_id)
    return session.exec(query.order_by(_TRANSITION.c.id)).all()


def last_transition(session: Session) -> int:
    """Return the number of the newest transition, 0 when there is none."""
    return session.execute(sa.select(sa.func.coalesce(sa.func.max(_TRANSITION.c.id), 0))).scalar_one()


def watch_memories(session: Session) -> list[WatchMemory]:
    """Return where the watch stands with each channel."""
    rows = session.execute(sa.select(_WATCH.c.channel_id, _WATCH.c.at_ms, _WATCH.c.memory))
    return [WatchMemory(*row) for row in rows]


def save_watch_memories(session: Session, memories: Sequence[WatchMemory]) -> None:
    """Note where the watch stands with these channels."""
    rows = [{"channel_id": one.channel_id, "at_ms": one.at_ms, "memory": one.memory} for one in memories]
    _save(session, _WATCH, "channel_id", rows)


def enclosure_memories(session: Session) -> dict[int, dict[str, Any]]:
    """Return what the watch remembers of each enclosure, by its id."""
    return {row.enclosure_id: row.memory for row in session.exec(select(EnclosureWatchState))}


def save_enclosure_memories(session: Session, memories: Mapping[int, dict[str, Any]]) -> None:
    """Note what the watch remembers of these enclosures."""
    rows = [{"enclosure_id": enclosure_id, "memory": memory} for enclosure_id, memory in memories.items()]
    _save(session, _ENCLOSURE_WATCH, "enclosure_id", rows)


def _save(session: Session, table: sa.Table, key: str, rows: list[dict[str, Any]]) -> None:
    """Write rows, or write them anew, all at once: a site has thousands, and they are saved with every alarm."""
    if not rows:
        return
    insert = (sqlite.insert if session.connection().dialect.name == "sqlite" else postgresql.insert)(table)
    new = {name: insert.excluded[name] for name in rows[0] if name != key}
    session.execute(insert.on_conflict_do_update(index_elements=[key], set_=new), rows)


def room_memory(session: Session) -> dict[str, Any]:
    """Return what the watch remembers of the rooms."""
    row = session.get(RoomWatchState, 1)
    return row.memory if row else {}


def save_room_memory(session: Session, memory: dict[str, Any], is_ours: Callable[[str], bool] = lambda _: True) -> None:
    """Note what the watch remembers of the rooms; of places that another process watches, what that noted stays."""
    row = session.get(RoomWatchState, 1, with_for_update=True)
    others = {place: kept for place, kept in (row.memory if row else {}).items() if not is_ours(place)}
    session.merge(RoomWatchState(id=1, memory=others | memory))
