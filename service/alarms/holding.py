"""Holding alarms back for a time, and letting them go again."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from sqlmodel import Session

from service.alarms.lifecycle import OPEN, Event, State
from service.alarms.record import EVENT_OF_HOLD, WATCH, Deed, change
from service.errors import Refused
from service.model import Alarm, AlarmHold, Change
from service.store.alarms import get_alarm
from service.store.holds import alarms_under, get_hold, hold_on, overdue_holds
from service.store.readings import next_number

HOLDS: Final = "holds"
"""Counts the holds that began or ended: while it stands, nothing has changed about them."""
LONGEST_SHELF: Final = timedelta(days=7)
"""A shelved alarm comes back at the latest after this. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Scope:
    """Which alarms: every field that is None means any."""

    condition: str | None = None
    place: str | None = None
    enclosure_id: int | None = None
    room_id: int | None = None
    places: tuple[str, ...] | None = None


def shelve(session: Session, alarm_id: int, by: str, note: str | None, now: datetime, until: datetime) -> AlarmHold:
    """Hide an alarm, and further ones of its condition at its place, until a time.

    Raises
    ------
    NotFound
        There is no such alarm.
    Refused
        It is over, held back already, or the time is not within the next `LONGEST_SHELF`.
    """
    if not now < until <= now + LONGEST_SHELF:
        raise Refused(f"an alarm is shelved until a time within the next {LONGEST_SHELF.days} days")
    alarm = get_alarm(session, alarm_id)
    if State(alarm.state) not in OPEN:
        raise Refused(f"alarm {alarm_id}: an alarm that is {alarm.state} cannot be shelved")
    scope = Scope(condition=alarm.condition, place=alarm.place)
    return hold_back(session, State.SHELVED, scope, Deed(by, now, now, note), until)


def hold_back(
    session: Session, kind: State, scope: Scope, deed: Deed, until: datetime | None, because: str | None = None
) -> AlarmHold:
    """Hold back the alarms of a scope that are open, and those raised while it lasts.

    `because` is the place of the alarm that explains them, where one does.
    """
    hold = AlarmHold(
        kind=kind, condition=scope.condition, place=scope.place, enclosure_id=scope.enclosure_id,
        room_id=scope.room_id, places=None if scope.places is None else list(scope.places), because=because,
        from_at=deed.at, until_at=until, by=deed.by, note=deed.note,
    )  # fmt: skip
    session.add(hold)
    session.flush()
    next_number(session, HOLDS)
    for alarm in alarms_under(session, hold, [str(state) for state in OPEN]):
        change(session, alarm, EVENT_OF_HOLD[kind], deed)
    return hold


def take_out_of_service(
    session: Session, enclosure_id: int, by: str, note: str | None, now: datetime, until: datetime
) -> AlarmHold:
    """Take an enclosure out of service for a span, so that open doors raise nothing.

    Raises
    ------
    Refused
        The end does not lie ahead: what is taken out must come back by itself.
    """
    if until <= now:
        raise Refused("an enclosure is taken out of service until a time that lies ahead")
    return hold_back(session, State.OUT_OF_SERVICE, Scope(enclosure_id=enclosure_id), Deed(by, now, now, note), until)


def move_end(session: Session, hold: AlarmHold, deed: Deed, until: datetime) -> AlarmHold:
    """Give a hold another end; who moved it, when and why goes into the journal of changes.

    Raises
    ------
    Refused
        It has ended, or the new end does not lie ahead.
    """
    if hold.ended_at is not None or until <= deed.at:
        raise Refused("only what is still held back gets another end, and one that lies ahead")
    before = None if hold.until_at is None else f"{hold.until_at:%Y-%m-%dT%H:%M:%SZ}"
    after = {"until": f"{until:%Y-%m-%dT%H:%M:%SZ}", "note": deed.note}
    session.add(Change(at=deed.at, by=deed.by, subject=f"hold {hold.id}", before={"until": before}, after=after))
    hold.until_at = until
    hold.note = deed.note or hold.note
    session.add(hold)
    next_number(session, HOLDS)
    return hold


def end_hold(session: Session, hold_id: int, by: str, now: datetime, note: str | None = None) -> AlarmHold:
    """Let the alarms of a hold go: each is in the state that its condition gives now.

    Raises
    ------
    NotFound
        There is no such hold.
    Refused
        It has ended before.
    """
    hold = get_hold(session, hold_id)
    if hold.ended_at is not None:
        raise Refused(f"hold {hold_id} has ended at {hold.ended_at:%Y-%m-%d %H:%M} UTC")
    hold.ended_at, hold.ended_by = now, by
    session.add(hold)
    session.flush()
    next_number(session, HOLDS)
    for alarm in alarms_under(session, hold, [hold.kind]):
        _let_go(session, alarm, Deed(by, now, now, note))
    return hold


def _let_go(session: Session, alarm: Alarm, deed: Deed) -> None:
    """Release an alarm, unless another hold is about it too: then it goes on being held back, by that one."""
    change(session, alarm, Event.RELEASE, deed)
    other = hold_on(session, alarm)
    if other is not None and State(alarm.state) in OPEN:
        change(session, alarm, EVENT_OF_HOLD[other.kind], Deed(other.by, deed.at, deed.recorded_at, other.note))


def end_overdue_holds(session: Session, now: datetime) -> int:
    """End the holds whose time is over; return how many."""
    overdue = overdue_holds(session, now)
    for hold in overdue:
        if hold.id is not None:
            end_hold(session, hold.id, WATCH, now, "its time is over")
    return len(overdue)
