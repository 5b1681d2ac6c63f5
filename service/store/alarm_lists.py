"""Lists of alarms for people: what is open, the oldest unanswered first; how many there are; and the past."""

from collections.abc import Sequence

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
