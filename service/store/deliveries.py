"""Messages to contacts: made, claimed by one worker at a time, and what became of them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import sqlalchemy as sa
from sqlmodel import Session, select

from service.model import Alarm, Contact, Delivery, DeliveryItem, Escalation, RouteState, table_of

_DELIVERY, _ITEM, _ROUTE = table_of(Delivery), table_of(DeliveryItem), table_of(RouteState)
_CONTACT, _STEP = table_of(Contact), table_of(Escalation)
WAITING, SENT, GIVEN_UP, WITHDRAWN = "waiting", "sent", "given up", "withdrawn"
RAISED, ESCALATED, RETURNED = "raised", "escalated", "returned"
_LONGEST_SAID: Final = 300


@dataclass(frozen=True, slots=True)
class Counts:
    """How the outbox stands.

    Attributes
    ----------
    by_state : dict of str to int
    attempts : int
        Of all deliveries.
    oldest_waiting : datetime or None
        When the one that waits longest was made; None when nothing waits.
    """

    by_state: dict[str, int]
    attempts: int
    oldest_waiting: datetime | None


def contacts_in_use(session: Session) -> Sequence[Contact]:
    """Return the contacts of the room file, in order of their names."""
    return session.exec(select(Contact).where(_CONTACT.c.retired_at.is_(None)).order_by(_CONTACT.c.name)).all()


def steps_in_use(session: Session) -> Sequence[Escalation]:
    """Return the steps of the escalation, in order."""
    return session.exec(select(Escalation).where(_STEP.c.retired_at.is_(None)).order_by(_STEP.c.step)).all()


def was_told(session: Session, contact_id: int, transition_id: int, step: int) -> bool:
    """Whether a contact was told of a change, or will be."""
    query = sa.select(_ITEM.c.id).where(_ITEM.c.contact_id == contact_id, _ITEM.c.transition_id == transition_id)
    return session.execute(query.where(_ITEM.c.step == step)).first() is not None


def told_of(session: Session, alarm_id: int) -> dict[int, set[str]]:
    """Return who was told what of an alarm: contact to kinds of items."""
    told: dict[int, set[str]] = {}
    for contact, kind in session.execute(
        sa.select(_ITEM.c.contact_id, _ITEM.c.kind).where(_ITEM.c.alarm_id == alarm_id)
    ):
        told.setdefault(contact, set()).add(kind)
    return told


def open_delivery(session: Session, contact_id: int, room_id: int | None) -> Delivery | None:
    """Return the message to a contact about a room that waits and that nobody is sending: more can be added to it.

    It is locked until the caller's transaction ends: no worker claims it meanwhile and sends it without that.
    """
    query = _of_room(contact_id, room_id).where(_DELIVERY.c.state == WAITING, _DELIVERY.c.worker.is_(None))
    return session.exec(query.order_by(_DELIVERY.c.id.desc()).limit(1).with_for_update()).first()


def last_delivery(session: Session, contact_id: int, room_id: int | None) -> Delivery | None:
    """Return the newest message to a contact about a room."""
    return session.exec(_of_room(contact_id, room_id).order_by(_DELIVERY.c.id.desc()).limit(1)).first()


def _of_room(contact_id: int, room_id: int | None):  # noqa: ANN202 - a statement that is refined by its callers
    of_room = _DELIVERY.c.room_id.is_(None) if room_id is None else _DELIVERY.c.room_id == room_id
    return select(Delivery).where(_DELIVERY.c.contact_id == contact_id, of_room, _DELIVERY.c.kind == "alarms")


def first_due(session: Session) -> datetime | None:
    """Return when the next waiting message is due or its lease ends, None when none waits."""
    free = sa.case(
        (_DELIVERY.c.lease_until.is_(None), _DELIVERY.c.due_at),
        (_DELIVERY.c.lease_until > _DELIVERY.c.due_at, _DELIVERY.c.lease_until),
        else_=_DELIVERY.c.due_at,
    )
    return session.execute(sa.select(sa.func.min(free)).where(_DELIVERY.c.state == WAITING)).scalar()


def claim(
    session: Session, worker: str, now: datetime, lease: timedelta, limit: int, *, busy: Sequence[int], steal: bool
) -> list[Delivery]:
    """Take waiting messages that are due, high alarms first, one a contact, so that nobody else sends them meanwhile.

    Parameters
    ----------
    session : Session
        Of `Store.write`.
    worker : str
        Who sends them.
    now : datetime
    lease : timedelta
        For how long they are this worker's alone.
    limit : int
        At most so many.
    busy : sequence of int
        Contacts whose route is at work already.
    steal : bool
        Whether to take what another worker has let lapse.
    """
    lapsed = _DELIVERY.c.lease_until <= now if steal else sa.false()
    query = select(Delivery).where(
        _DELIVERY.c.state == WAITING,
        _DELIVERY.c.due_at <= now,
        sa.or_(_DELIVERY.c.worker.is_(None), lapsed),
        _DELIVERY.c.contact_id.not_in(list(busy)),
    )
    query = query.order_by(_DELIVERY.c.urgent.desc(), _DELIVERY.c.due_at, _DELIVERY.c.id).limit(limit * 4)
    taken: dict[int, Delivery] = {}
    for delivery in session.exec(query.with_for_update(skip_locked=True)):
        if delivery.contact_id not in taken and len(taken) < limit:
            delivery.worker, delivery.lease_until, delivery.touched_at = worker, now + lease, now
            delivery.attempts += 1
            session.add(delivery)
            taken[delivery.contact_id] = delivery
    return list(taken.values())


def extend_lease(session: Session, delivery_id: int, worker: str, now: datetime, lease: timedelta) -> None:
    """Keep a message that is being sent still."""
    mine = sa.and_(_DELIVERY.c.id == delivery_id, _DELIVERY.c.worker == worker, _DELIVERY.c.state == WAITING)
    session.execute(sa.update(_DELIVERY).where(mine).values(lease_until=now + lease, touched_at=now))


def claimed_by(session: Session, delivery_id: int, worker: str) -> Delivery | None:
    """Return a message that this worker has claimed and nobody else has settled; None when it is no longer its own."""
    delivery = session.get(Delivery, delivery_id, with_for_update=True)
    if delivery is None or delivery.state != WAITING or delivery.worker != worker:
        return None
    return delivery


def settle_sent(session: Session, delivery: Delivery, now: datetime) -> None:
    """Note that a message was taken by the other end."""
    delivery.state, delivery.sent_at, delivery.touched_at = SENT, now, now
    delivery.worker = delivery.lease_until = delivery.said = delivery.failing_since = None
    session.add(delivery)
    note_route(session, delivery.contact_id, now, None)


def settle_failed(session: Session, delivery: Delivery, now: datetime, said: str, again_at: datetime | None) -> None:
    """Note that an attempt failed, and when to try again; None gives the message up."""
    delivery.said, delivery.touched_at = said[:_LONGEST_SAID], now
    delivery.failing_since = delivery.failing_since or now
    delivery.worker = delivery.lease_until = None
    if again_at is None:
        delivery.state = GIVEN_UP
    else:
        delivery.due_at = again_at
    session.add(delivery)
    note_route(session, delivery.contact_id, now, said)


def withdraw(session: Session, delivery: Delivery, now: datetime, said: str) -> None:
    """Note that a message is not to be sent any more, and why."""
    delivery.state, delivery.said, delivery.touched_at = WITHDRAWN, said, now
    delivery.worker = delivery.lease_until = None
    session.add(delivery)


def note_route(session: Session, contact_id: int, now: datetime, said: str | None) -> None:
    """Note how an attempt by a contact's route ended: `said` is why it failed, None that it went."""
    state = session.get(RouteState, contact_id) or RouteState(contact_id=contact_id)
    state.tried_at = now
    if said is None:
        state.sent_at, state.failing_since, state.said = now, None, None
    else:
        # After the clock was set back it may lie ahead, and the route would not be told as dead until then.
        state.failing_since, state.said = min(state.failing_since or now, now), said[:_LONGEST_SAID]
    session.add(state)


def items_of(session: Session, delivery_id: int) -> Sequence[tuple[DeliveryItem, Alarm]]:
    """Return what a message tells, with the alarms, in the order in which it happened."""
    query = select(DeliveryItem, Alarm).join(Alarm, table_of(Alarm).c.id == _ITEM.c.alarm_id)
    return session.exec(query.where(_ITEM.c.delivery_id == delivery_id).order_by(_ITEM.c.id)).all()


def route_states(session: Session) -> dict[int, RouteState]:
    """Return how each contact's route is, by the contact's number."""
    return {state.contact_id: state for state in session.exec(select(RouteState))}


def recent_deliveries(
    session: Session, limit: int, before_id: int | None = None, alarm_id: int | None = None
) -> Sequence[tuple[Delivery, Contact]]:
    """Return messages with their contacts, the newest first; `before_id` continues a list."""
    query = select(Delivery, Contact).join(Contact, _CONTACT.c.id == _DELIVERY.c.contact_id)
    if before_id is not None:
        query = query.where(_DELIVERY.c.id < before_id)
    if alarm_id is not None:
        about = sa.select(_ITEM.c.delivery_id).where(_ITEM.c.alarm_id == alarm_id)
        query = query.where(_DELIVERY.c.id.in_(about))
    return session.exec(query.order_by(_DELIVERY.c.id.desc()).limit(limit)).all()


def message_counts(session: Session) -> Counts:
    """Return how many messages are in each state, and since when the oldest has been due."""
    rows = session.execute(
        sa.select(_DELIVERY.c.state, sa.func.count(), sa.func.sum(_DELIVERY.c.attempts)).group_by(_DELIVERY.c.state)
    ).all()
    oldest = session.execute(sa.select(sa.func.min(_DELIVERY.c.made_at)).where(_DELIVERY.c.state == WAITING)).scalar()
    return Counts({row[0]: row[1] for row in rows}, sum(int(row[2] or 0) for row in rows), oldest)
