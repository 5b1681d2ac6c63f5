"""Decides what is told, to whom and when: changes of alarms become messages that wait to be sent."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from sqlmodel import Session

from service.alarms.lifecycle import State
from service.model import Alarm, AlarmTransition, Contact, Delivery, DeliveryItem, Escalation, Telling
from service.notify.audience import (
    Listener,
    Step,
    awake_from,
    is_held_by_hours,
    next_step,
    told_at_once,
    told_in,
)
from service.notify.messages import Wording
from service.notify.pace import Pace
from service.store.deliveries import (
    ESCALATED,
    RAISED,
    RETURNED,
    contacts_in_use,
    last_delivery,
    open_delivery,
    steps_in_use,
    told_of,
    was_told,
)
from service.store.facts import RoomFacts
from service.store.telling import last_raised, put_off, put_step, silent_in_room, take_agenda, take_off

AT_ONCE: Final = 500
"""So many changes are decided in one transaction."""
TOGETHER: Final = 3
"""So many unanswered alarms of a condition in one room make a common cause likely. Common practice, no source."""
_AGAIN: Final = timedelta(seconds=15)
CONTACT_PLACE: Final = "contact/"
ROOM_PLACE: Final = "room/"
SERVICE_PLACE: Final = "service/"


@dataclass(frozen=True, slots=True)
class Change:
    """A change of an alarm's state, with what is known of the place."""

    telling: Telling
    transition: AlarmTransition
    alarm: Alarm
    room_id: int | None


class Planner:
    """Takes what is due from the agenda and makes messages of it.

    Parameters
    ----------
    pace : Pace
    wordings : mapping of str to Wording
        By condition.
    """

    def __init__(self, pace: Pace, wordings: Mapping[str, Wording]) -> None:
        self._pace, self._wordings = pace, wordings

    def plan(self, session: Session, facts: RoomFacts, now: datetime) -> int:
        """Decide what is due, in the caller's transaction; return how many changes were looked at."""
        agenda = take_agenda(session, now, AT_ONCE)
        if not agenda:
            return 0
        listeners = [listener_of(contact) for contact in contacts_in_use(session)]
        steps = [step_of(step) for step in steps_in_use(session)]
        plan = _Plan(session, facts, self._pace, listeners, steps, now)
        for telling, transition, alarm in agenda:
            change = Change(telling, transition, alarm, room_of(facts, alarm))
            if telling.step:
                plan.escalate(change)
            elif transition.after == State.UNACKNOWLEDGED:
                wording = self._wordings.get(alarm.condition)
                plan.raise_(change, may_be_explained=wording is not None and wording.may_be_explained)
            else:
                plan.clear(change)
        return len(agenda)


@dataclass(frozen=True, slots=True)
class _Plan:
    """One look at the agenda."""

    session: Session
    facts: RoomFacts
    pace: Pace
    listeners: Sequence[Listener]
    steps: Sequence[Step]
    now: datetime

    def raise_(self, change: Change, *, may_be_explained: bool) -> None:
        """Tell that an alarm was raised, or is announced again, unless that is over, answered or held back by now."""
        alarm = change.alarm
        if may_be_explained and (wait := self._silence(change)) is not None:
            put_off(self.session, change.telling, wait, self.now)
            return
        take_off(self.session, change.telling)
        if not self._still_matters(change, may_be_explained=may_be_explained):
            return
        for listener in told_at_once(self._but_its_subject(alarm), self.steps, alarm.priority):
            self._tell(change, listener, RAISED)
        self._put_next(change, 0, change.transition.recorded_at)

    def escalate(self, change: Change) -> None:
        """Tell the next ones of an alarm that nobody has acknowledged."""
        number = change.telling.step
        take_off(self.session, change.telling)
        is_last = last_raised(self.session, change.alarm.id or 0) == change.transition.id
        if change.alarm.state != State.UNACKNOWLEDGED or not is_last:
            return
        step = next((step for step in self.steps if step.number == number), None)
        if step is not None:
            for listener in told_in(self._but_its_subject(change.alarm), step, change.alarm.priority):
                self._tell(change, listener, ESCALATED)
        self._put_next(change, number, self.now)

    def clear(self, change: Change) -> None:
        """Tell those who were told of an alarm that it has returned to normal."""
        take_off(self.session, change.telling)
        if change.alarm.returned_at is None:
            return
        told = told_of(self.session, change.alarm.id or 0)
        for listener in self.listeners:
            kinds = told.get(listener.id, set())
            if kinds & {RAISED, ESCALATED} and RETURNED not in kinds:
                self._tell(change, listener, RETURNED)

    def _silence(self, change: Change) -> datetime | None:
        """Return until when an alarm is not told yet, since a common cause may explain it; None when that is over."""
        if change.alarm.state != State.UNACKNOWLEDGED:
            return None
        at = change.transition.recorded_at
        if self.now < at + self.pace.silence:
            return at + self.pace.silence
        if self.now < at + self.pace.longest_silence and self._are_many(change):
            return min(self.now + _AGAIN, at + self.pace.longest_silence)
        return None

    def _are_many(self, change: Change) -> bool:
        rooms = {room.key for room in self.facts.rooms if room.id == change.room_id}
        enclosures = [one.id for one in self.facts.enclosures.values() if one.room in rooms]
        return silent_in_room(self.session, change.alarm.condition, enclosures) >= TOGETHER

    def _still_matters(self, change: Change, *, may_be_explained: bool) -> bool:
        alarm = change.alarm
        if last_raised(self.session, alarm.id or 0) != change.transition.id:
            return False
        if alarm.state == State.RETURNED_UNACKNOWLEDGED and alarm.returned_at is not None:
            # It came and went before anyone was told: that is told too, but not what explains itself or is history.
            return not may_be_explained and self.now - alarm.returned_at < self.pace.old
        return alarm.state == State.UNACKNOWLEDGED

    def _but_its_subject(self, alarm: Alarm) -> list[Listener]:
        """Return the contacts but the one whose own route an alarm is about."""
        return [one for one in self.listeners if alarm.place != f"{CONTACT_PLACE}{one.name}"]

    def _put_next(self, change: Change, number: int, since: datetime) -> None:
        step = next_step(self.steps, number)
        if step is not None and change.alarm.state == State.UNACKNOWLEDGED and change.transition.id is not None:
            put_step(self.session, change.transition.id, step.number, since + step.after, self.now)

    def _tell(self, change: Change, listener: Listener, kind: str) -> None:
        """Add it to the message to a contact about that room; nobody is told the same change twice."""
        alarm, transition, step = change.alarm, change.transition, change.telling.step
        if alarm.id is None or transition.id is None or was_told(self.session, listener.id, transition.id, step):
            return
        delivery = self._delivery(listener, change.room_id, alarm.priority)
        self.session.flush()
        self.session.add(
            DeliveryItem(
                delivery_id=delivery.id or 0, contact_id=listener.id, alarm_id=alarm.id, transition_id=transition.id,
                step=step, kind=kind,
            )
        )  # fmt: skip

    def _delivery(self, listener: Listener, room_id: int | None, priority: str) -> Delivery:
        """Return the message that it goes into: one that waits, or a new one."""
        urgent = priority == "high"
        delivery = open_delivery(self.session, listener.id, room_id)
        if delivery is None:
            delivery = Delivery(
                contact_id=listener.id, room_id=room_id, made_at=self.now,
                due_at=self._due(listener, room_id, priority), touched_at=self.now, urgent=urgent,
            )  # fmt: skip
        elif urgent and not delivery.urgent:
            delivery.urgent, delivery.touched_at = True, self.now
            if not delivery.attempts:
                delivery.due_at = self.now
        self.session.add(delivery)
        return delivery

    def _due(self, listener: Listener, room_id: int | None, priority: str) -> datetime:
        """Return when a new message goes: at once, unless one about the room has just gone, or the contact sleeps."""
        if listener.hours and is_held_by_hours(listener, priority, self.now, self.facts.zone):
            return awake_from(listener.hours, self.now, self.facts.zone)
        last = last_delivery(self.session, listener.id, room_id)
        if last is None or (priority == "high" and not last.urgent):
            return self.now
        since = min(last.sent_at or last.touched_at, self.now)
        return max(self.now, since + self.pace.bundle)


def room_of(facts: RoomFacts, alarm: Alarm) -> int | None:
    """Return the room that an alarm is in, None when it is about the service itself."""
    enclosure = facts.enclosures.get(alarm.enclosure_id or 0)
    key = enclosure.room if enclosure else alarm.place.removeprefix(ROOM_PLACE)
    named = enclosure is not None or alarm.place.startswith(ROOM_PLACE)
    return next((room.id for room in facts.rooms if named and room.key == key), None)


def listener_of(contact: Contact) -> Listener:
    """Return a contact as the decision needs it."""
    return Listener(contact.id or 0, contact.name, contact.priority, contact.hours)


def step_of(step: Escalation) -> Step:
    """Return a step as the decision needs it."""
    return Step(step.step, timedelta(minutes=step.after_minutes), tuple(str(name) for name in step.contacts))
