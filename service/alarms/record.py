"""Writes down what happens to alarms; twice the same is once."""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.alarms.lifecycle import STANDING, Event, IllegalTransitionError, State, next_state
from service.errors import Refused
from service.model import Alarm, AlarmTransition
from service.store.alarms import add_transition, find_alarm, get_alarm

WATCH = "the watch"
"""Who did it, when nobody did."""


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


def record_raised(session: Session, occurrence: Occurrence, recorded_at: datetime) -> Alarm | None:
    """Write an alarm down as raised; return None when it is on record already."""
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
    session.add(alarm)
    session.flush()
    _change(session, alarm, Event.RAISE, occurrence.raised_at, recorded_at, WATCH, occurrence.cause)
    return alarm


def record_returned(
    session: Session, alarm: Alarm, at: datetime, recorded_at: datetime, peak: float | None, why: str
) -> bool:
    """Write down that an alarm's condition ended; return False when that is on record already."""
    if State(alarm.state) not in STANDING:
        return False
    alarm.returned_at = at
    alarm.peak = alarm.peak if peak is None else peak
    _change(session, alarm, Event.RETURN, at, recorded_at, WATCH, why)
    return True


def acknowledge(session: Session, alarm_id: int, by: str, note: str | None, now: datetime) -> Alarm:
    """Write down that a person has seen an alarm.

    Raises
    ------
    NotFound
        There is no such alarm.
    Refused
        It was acknowledged before, or nothing is left to acknowledge.
    """
    alarm = get_alarm(session, alarm_id)
    try:
        _change(session, alarm, Event.ACKNOWLEDGE, now, now, by, note)
    except IllegalTransitionError as exc:
        raise Refused(f"alarm {alarm_id}: {exc}") from exc
    alarm.acknowledged_at, alarm.acknowledged_by = now, by
    alarm.note = note or alarm.note
    return alarm


def _change(
    session: Session, alarm: Alarm, event: Event, at: datetime, recorded_at: datetime, by: str, note: str | None
) -> None:
    after = next_state(State(alarm.state), event)
    if alarm.id is None:
        raise ValueError("an alarm is stored before its state changes")
    transition = AlarmTransition(
        alarm_id=alarm.id, at=at, recorded_at=recorded_at, before=alarm.state, after=after, by=by, note=note
    )
    add_transition(session, alarm, transition)
