"""Writes down what happens to alarms; twice the same is once."""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.alarms.lifecycle import HELD, Event, IllegalTransitionError, Standing, State, after
from service.errors import Refused
from service.model import Alarm, AlarmTransition
from service.store.alarms import add_alarm, add_transition, find_alarm, get_alarm, lock_alarm
from service.store.holds import hold_on

WATCH = "the watch"
"""Who did it, when nobody did."""
EVENT_OF_HOLD = {str(state): event for event, state in HELD.items()}


@dataclass(frozen=True, slots=True)
class Occurrence:
    """What is known of an alarm when it is raised."""

    condition: str
    place: str
    priority: str
    raised_at: datetime
    began_at: datetime
    enclosure_id: int | None = None
    zone: str | None = None
    channel_id: int | None = None
    value: float | None = None
    peak: float | None = None
    limit: float | None = None
    unit: str | None = None
    cause: str | None = None


@dataclass(frozen=True, slots=True)
class Deed:
    """Who does something to an alarm, when it happens, when it is written down, and why."""

    by: str
    at: datetime
    recorded_at: datetime
    note: str | None = None


def record_raised(session: Session, occurrence: Occurrence, recorded_at: datetime) -> Alarm | None:
    """Write an alarm down as raised, held back at once where a hold says so; None when it is on record already."""
    if find_alarm(session, occurrence.condition, occurrence.place, occurrence.raised_at) is not None:
        return None
    alarm = Alarm(
        condition=occurrence.condition,
        place=occurrence.place,
        enclosure_id=occurrence.enclosure_id,
        zone=occurrence.zone,
        channel_id=occurrence.channel_id,
        priority=occurrence.priority,
        state=State.NORMAL,
        raised_at=occurrence.raised_at,
        began_at=occurrence.began_at,
        value=occurrence.value,
        peak=occurrence.peak,
        limit=occurrence.limit,
        unit=occurrence.unit,
        cause=occurrence.cause,
    )
    if not add_alarm(session, alarm):
        return None
    change(session, alarm, Event.RAISE, Deed(WATCH, occurrence.raised_at, recorded_at, occurrence.cause))
    hold = hold_on(session, alarm)
    if hold is not None:
        held = Deed(hold.by, occurrence.raised_at, recorded_at, hold.note)
        change(session, alarm, EVENT_OF_HOLD[hold.kind], held)
    return alarm


def record_returned(session: Session, alarm: Alarm, deed: Deed, peak: float | None) -> bool:
    """Write down that an alarm's condition ended; return False when that is on record already."""
    lock_alarm(session, alarm)
    if alarm.returned_at is not None:
        return False
    alarm.peak = alarm.peak if peak is None else peak
    change(session, alarm, Event.RETURN, deed)
    return True


def acknowledge(session: Session, alarm_id: int, by: str, note: str | None, now: datetime) -> Alarm:
    """Write down that a person has seen an alarm.

    Raises
    ------
    NotFound
        There is no such alarm.
    Refused
        It was acknowledged before, is held back, or nothing is left to acknowledge.
    """
    alarm = get_alarm(session, alarm_id)
    lock_alarm(session, alarm)
    change(session, alarm, Event.ACKNOWLEDGE, Deed(by, now, now, note))
    alarm.acknowledged_at, alarm.acknowledged_by = now, by
    alarm.note = note or alarm.note
    return alarm


def change(session: Session, alarm: Alarm, event: Event, deed: Deed) -> None:
    """Let an event happen to an alarm, and append it to its record.

    Raises
    ------
    Refused
        When it cannot happen in the alarm's state; nothing is changed.
    """
    raised = alarm.state != State.NORMAL or alarm.returned_at is not None
    before = Standing(State(alarm.state), active=raised and alarm.returned_at is None)
    try:
        now = after(before, event)
    except IllegalTransitionError as exc:
        raise Refused(f"alarm {alarm.id}: {exc}") from exc
    if alarm.id is None:
        raise ValueError("an alarm is stored before its state changes")
    if event is Event.RETURN:
        alarm.returned_at = deed.at
    transition = AlarmTransition(
        alarm_id=alarm.id,
        at=deed.at,
        recorded_at=deed.recorded_at,
        before=alarm.state,
        after=now.state,
        by=deed.by,
        note=deed.note,
    )
    add_transition(session, alarm, transition)
