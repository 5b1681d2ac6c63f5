"""Alarms that are held back, and until when."""

from collections.abc import Sequence
from datetime import datetime, timedelta

import sqlalchemy as sa
from sqlmodel import Session, select

from service.errors import NotFound
from service.model import RELIVED_MS, Alarm, AlarmHold, Enclosure, table_of

_HOLD, _ALARM, _ENCLOSURE = table_of(AlarmHold), table_of(Alarm), table_of(Enclosure)
_AHEAD = timedelta(milliseconds=RELIVED_MS)
NEVER_AT_REST = ("out-of-service-long", "out-of-service-over")
"""Conditions about the rest itself: a hold on everything of an enclosure is not about them."""


def standing_holds(session: Session) -> Sequence[AlarmHold]:
    """Return the holds that have not ended, the newest first."""
    return session.exec(select(AlarmHold).where(_HOLD.c.ended_at.is_(None)).order_by(_HOLD.c.id.desc())).all()


def ended_holds_since(session: Session, since: datetime) -> Sequence[AlarmHold]:
    """Return the holds that have ended at or after an instant, in that order."""
    query = select(AlarmHold).where(_HOLD.c.ended_at >= since)
    return session.exec(query.order_by(_HOLD.c.ended_at, _HOLD.c.id)).all()


def get_hold(session: Session, hold_id: int) -> AlarmHold:
    """Return a hold.

    Raises
    ------
    NotFound
        When there is none of that number.
    """
    hold = session.get(AlarmHold, hold_id)
    if hold is None:
        raise NotFound(f"there is no hold {hold_id}")
    return hold


def overdue_holds(session: Session, now: datetime) -> Sequence[AlarmHold]:
    """Return the holds whose time has come to end by themselves.

    One that begins far ahead was made before the clock was set back: it would hold back for far longer than was meant.
    """
    over = sa.or_(_HOLD.c.until_at <= now, _HOLD.c.from_at > now + _AHEAD)
    query = select(AlarmHold).where(_HOLD.c.ended_at.is_(None), _HOLD.c.until_at.is_not(None), over)
    return session.exec(query.order_by(_HOLD.c.until_at)).all()


def hold_on(session: Session, alarm: Alarm) -> AlarmHold | None:
    """Return the hold that holds an alarm of this condition and place back now, the newest where several do."""
    room = sa.select(_ENCLOSURE.c.room_id).where(_ENCLOSURE.c.id == alarm.enclosure_id).scalar_subquery()
    wanted = (
        (_HOLD.c.condition, alarm.condition),
        (_HOLD.c.place, alarm.place),
        (_HOLD.c.enclosure_id, alarm.enclosure_id),
        (_HOLD.c.room_id, room),
    )
    query = select(AlarmHold).where(_HOLD.c.ended_at.is_(None))
    for column, value in wanted:
        query = query.where(sa.or_(column.is_(None), column == value))
    holds = session.exec(query.order_by(_HOLD.c.id.desc()))
    return next((hold for hold in holds if _is_about(hold, alarm)), None)


def _is_about(hold: AlarmHold, alarm: Alarm) -> bool:
    if hold.condition is None and alarm.condition in NEVER_AT_REST:
        return False
    return hold.places is None or alarm.place in hold.places


def alarms_under(session: Session, hold: AlarmHold, states: Sequence[str]) -> Sequence[Alarm]:
    """Return the alarms in one of these states that a hold is about."""
    query = select(Alarm).where(_ALARM.c.state.in_(states))
    if hold.condition is not None:
        query = query.where(_ALARM.c.condition == hold.condition)
    else:
        query = query.where(_ALARM.c.condition.not_in(NEVER_AT_REST))
    if hold.place is not None:
        query = query.where(_ALARM.c.place == hold.place)
    if hold.places is not None:
        query = query.where(_ALARM.c.place.in_(hold.places))
    if hold.enclosure_id is not None:
        query = query.where(_ALARM.c.enclosure_id == hold.enclosure_id)
    if hold.room_id is not None:
        of_room = sa.select(_ENCLOSURE.c.id).where(_ENCLOSURE.c.room_id == hold.room_id)
        query = query.where(_ALARM.c.enclosure_id.in_(of_room))
    return session.exec(query.order_by(_ALARM.c.id)).all()
