"""The agenda of telling: changes of alarms that have to be looked at, each written in the transaction of the change."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

import sqlalchemy as sa
from sqlmodel import Session, select

from service.model import Alarm, AlarmTransition, Counter, Delivery, Telling, table_of, to_ms

_TELLING, _TRANSITION, _DELIVERY = table_of(Telling), table_of(AlarmTransition), table_of(Delivery)
_AHEAD: Final = timedelta(seconds=5)
"""A row that was written so far ahead of now was written before the clock was set back."""
_PLANNING: Final = 7_402_511_906
"""Number of the lock that lets one worker at a time decide what is told."""


def is_told(before: str, after: str) -> bool:
    """Whether people may have to hear of a change of an alarm's state: it was raised, announced again, or returned."""
    returned = after == "returned, unacknowledged" or (before, after) == ("acknowledged", "normal") or before == after
    return after == "unacknowledged" or returned


def put_on_agenda(session: Session, transition: AlarmTransition) -> None:
    """Note that a change has to be looked at, in the transaction that records it."""
    if not is_told(transition.before, transition.after):
        return
    session.flush()
    if transition.id is not None:
        at = transition.recorded_at
        session.add(Telling(transition_id=transition.id, look_at=at, touched_at=at))


def put_step(session: Session, transition_id: int, step: int, look_at: datetime, now: datetime) -> None:
    """Note when a step of the escalation comes due."""
    session.add(Telling(transition_id=transition_id, step=step, look_at=look_at, touched_at=now))


def first_look(session: Session) -> datetime | None:
    """Return when the agenda's first row is due, None when it is empty."""
    return session.execute(sa.select(sa.func.min(_TELLING.c.look_at))).scalar()


def was_set_back(session: Session, now: datetime) -> bool:
    """Whether something that waits was written ahead of now: the clock has been set back since."""
    ahead = [
        sa.select(_TELLING.c.id).where(_TELLING.c.touched_at > now + _AHEAD),
        sa.select(_DELIVERY.c.id).where(_DELIVERY.c.state == "waiting", _DELIVERY.c.touched_at > now + _AHEAD),
    ]
    return any(session.execute(query.limit(1)).first() for query in ahead)


def take_agenda(session: Session, now: datetime, limit: int) -> Sequence[tuple[Telling, AlarmTransition, Alarm]]:
    """Return what is due, in the order in which it happened.

    The caller's transaction writes: until it ends, no other worker takes from the agenda.
    """
    one_at_a_time(session)
    query = (
        select(Telling, AlarmTransition, Alarm)
        .join(AlarmTransition, _TRANSITION.c.id == _TELLING.c.transition_id)
        .join(Alarm, table_of(Alarm).c.id == _TRANSITION.c.alarm_id)
        .where(_TELLING.c.look_at <= now)
    )
    return session.exec(query.order_by(_TRANSITION.c.id, _TELLING.c.step).limit(limit)).all()


def put_off(session: Session, telling: Telling, look_at: datetime, now: datetime) -> None:
    """Look at it again later."""
    telling.look_at, telling.touched_at = look_at, now
    session.add(telling)


def take_off(session: Session, telling: Telling) -> None:
    """Take it off the agenda: it was decided."""
    session.delete(telling)


def last_raised(session: Session, alarm_id: int) -> int | None:
    """Return the number of the change that announced an alarm last."""
    query = sa.select(sa.func.max(_TRANSITION.c.id)).where(
        _TRANSITION.c.alarm_id == alarm_id, _TRANSITION.c.after == "unacknowledged"
    )
    return session.execute(query).scalar()


def silent_in_room(session: Session, condition: str, enclosures: Sequence[int]) -> int:
    """Return how many alarms of a condition stand unanswered in these enclosures."""
    alarm = table_of(Alarm)
    query = sa.select(sa.func.count()).where(
        alarm.c.state == "unacknowledged", alarm.c.condition == condition, alarm.c.enclosure_id.in_(enclosures)
    )
    return session.execute(query).scalar_one()


def keep_to_the_clock(session: Session, now: datetime) -> int:
    """After the clock was set back, let what waits go on waiting for as long as was left; return how many rows.

    A row that was written ahead of now is of the time before the step. Doing it twice does no more.
    """
    plain = sa.BigInteger()
    changed = 0
    for table, moved in ((_TELLING, ("look_at",)), (_DELIVERY, ("due_at", "lease_until", "failing_since"))):
        written = sa.type_coerce(table.c.touched_at, plain)
        values = {name: sa.type_coerce(table.c[name], plain) - written + to_ms(now) for name in moved}
        update = sa.update(table).where(table.c.touched_at > now + _AHEAD)
        if table is _DELIVERY:
            update = update.where(table.c.state == "waiting")
        values = {name: sa.type_coerce(value, table.c[name].type) for name, value in values.items()}
        changed += session.connection().execute(update.values(touched_at=now, **values)).rowcount
    return changed


def not_over(session: Session, conditions: Sequence[str]) -> Sequence[Alarm]:
    """Return the alarms of these conditions that have not returned to normal, also those that are held back."""
    alarm = table_of(Alarm)
    query = select(Alarm).where(alarm.c.condition.in_(conditions), alarm.c.returned_at.is_(None))
    return session.exec(query.order_by(alarm.c.id)).all()


def one_at_a_time(session: Session) -> None:
    """Let no other worker decide what is told, or raise what workers raise, until the caller's transaction ends."""
    if session.connection().dialect.name == "postgresql":
        session.connection().exec_driver_sql(f"SELECT pg_advisory_xact_lock({_PLANNING})")


def try_to_write(session: Session, now: datetime) -> None:
    """Write something: a database that takes nothing any more says so only to who writes."""
    counter = session.get(Counter, "self-watch") or Counter(name="self-watch", value=0)
    counter.value = to_ms(now)
    session.add(counter)
    session.flush()
