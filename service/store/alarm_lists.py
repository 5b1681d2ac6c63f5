"""Lists of alarms for people: what is open, the oldest unanswered first; how many there are; and the past."""

from collections.abc import Collection, Sequence
from datetime import datetime

import sqlalchemy as sa
from sqlmodel import Session, select

from service.model import Alarm, table_of

_ALARM = table_of(Alarm)
_ACKNOWLEDGED, _NORMAL = "acknowledged", "normal"
_OPEN = ("unacknowledged", "returned, unacknowledged", _ACKNOWLEDGED)
_HELD = ("shelved", "suppressed by design", "out of service")


def open_alarms(session: Session, offset: int, limit: int) -> Sequence[Alarm]:
    """Return alarms that someone still has to look at: unanswered ones first, and of those the oldest."""
    answered = sa.case((_ALARM.c.state == _ACKNOWLEDGED, 1), else_=0)
    query = select(Alarm).where(_ALARM.c.state.in_(_OPEN)).order_by(answered, _ALARM.c.raised_at, _ALARM.c.id)
    return session.exec(query.offset(offset).limit(limit)).all()


def counts_by_state(session: Session) -> dict[str, int]:
    """Return how many alarms are in each state but normal: there are many of those, and nobody asks."""
    counted = sa.select(_ALARM.c.state, sa.func.count()).where(_ALARM.c.state.in_((*_OPEN, *_HELD)))
    return {row[0]: row[1] for row in session.execute(counted.group_by(_ALARM.c.state))}


def past_alarms(session: Session, before_id: int | None, limit: int) -> Sequence[Alarm]:
    """Return alarms that are over, the newest record first; `before_id` continues a list."""
    query = select(Alarm).where(_ALARM.c.state == _NORMAL)
    if before_id is not None:
        query = query.where(_ALARM.c.id < before_id)
    return session.exec(query.order_by(_ALARM.c.id.desc()).limit(limit)).all()


def not_returned(session: Session, conditions: Collection[str]) -> Sequence[Alarm]:
    """Return the alarms of these conditions whose condition still holds, held back or not, in order of entry."""
    holds = _ALARM.c.state.in_((*_OPEN, *_HELD)) & _ALARM.c.returned_at.is_(None)
    return session.exec(select(Alarm).where(holds, _ALARM.c.condition.in_(conditions)).order_by(_ALARM.c.id)).all()


def not_returned_in(session: Session, enclosure_id: int, raised_before: datetime) -> Sequence[Alarm]:
    """Return the alarms of an enclosure that were raised before an instant and still hold, in order of time."""
    holds = _ALARM.c.state.in_((*_OPEN, *_HELD)) & _ALARM.c.returned_at.is_(None)
    query = select(Alarm).where(holds, _ALARM.c.enclosure_id == enclosure_id, _ALARM.c.raised_at < raised_before)
    return session.exec(query.order_by(_ALARM.c.raised_at, _ALARM.c.id)).all()
