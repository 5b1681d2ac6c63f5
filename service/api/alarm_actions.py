"""What a person does to an alarm: acknowledge, shelve, and take its enclosure out of service for a while."""

from datetime import datetime, timedelta
from typing import Annotated, Final

from fastapi import APIRouter, Path
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator
from sqlmodel import Session

from service.alarms.holding import LONGEST_SHELF, end_hold, move_end, shelve, take_out_of_service
from service.alarms.lifecycle import State
from service.alarms.record import Deed, acknowledge
from service.api.addresses import PREFIX
from service.api.alarms import alarm_detail
from service.api.answers import AlarmDetail
from service.api.parts import Parts
from service.api.problems import documented
from service.api.requests import IsoInstant, PartsDep
from service.api.sign_in import SignedIn
from service.errors import BadUse, Refused
from service.model import Alarm, AlarmHold
from service.store.alarms import get_alarm
from service.store.holds import alarms_under, standing_holds

LONGEST_NOTE: Final = 500
"""[characters]"""
LONGEST_OUT: Final = timedelta(days=90)
"""An enclosure that is out of service for longer is no longer in use. Common practice, no source."""
_MOST_MINUTES: Final = int(LONGEST_OUT.total_seconds() // 60)
_LARGEST_ID: Final = 2**53 - 1

router = APIRouter(prefix=PREFIX, tags=["alarms"])
AlarmId = Annotated[int, Path(ge=1, le=_LARGEST_ID)]


def tidy_note(note: str | None) -> str | None:
    """Return a note without space around it; None for an empty one."""
    return (note or "").strip() or None


class NoteIn(BaseModel):
    """Why, in the person's words."""

    model_config = ConfigDict(extra="forbid")

    note: Annotated[str | None, Field(max_length=LONGEST_NOTE), AfterValidator(tidy_note)] = None


class UntilIn(NoteIn):
    """Until when, as an instant or in minutes from now, and why."""

    until: IsoInstant | None = None
    minutes: Annotated[int | None, Field(ge=1, le=_MOST_MINUTES, strict=True)] = None

    @model_validator(mode="after")
    def _one_end(self) -> "UntilIn":
        if (self.until is None) == (self.minutes is None):
            raise ValueError("give either until or minutes")
        return self

    def end(self, now: datetime) -> datetime:
        """Return when it ends."""
        return self.until or now + timedelta(minutes=self.minutes or 0)


def shelve_until(session: Session, alarm_id: int, by: str, note: str | None, now: datetime, until: datetime) -> None:
    """Shelve an alarm.

    Raises
    ------
    BadUse
        The end does not lie within the next `LONGEST_SHELF`.
    NotFound, Refused
        As `service.alarms.holding.shelve`.
    """
    get_alarm(session, alarm_id)
    if not now < until <= now + LONGEST_SHELF:
        raise BadUse(f"until: an alarm is shelved until a time within the next {LONGEST_SHELF.days} days")
    shelve(session, alarm_id, by, note, now, until)


def take_out_until(
    session: Session, enclosure_id: int, by: str, note: str | None, now: datetime, until: datetime
) -> AlarmHold:
    """Take an enclosure out of service.

    Raises
    ------
    BadUse
        The end does not lie within the next `LONGEST_OUT`.
    Refused
        It is out of service already.
    """
    _require_sensible_end(now, until)
    if out_of_service(session, enclosure_id) is not None:
        raise Refused("the enclosure is out of service already; its own page gives it another end")
    return take_out_of_service(session, enclosure_id, by, note, now, until)


def rest_until(
    session: Session, enclosure_id: int, by: str, note: str | None, now: datetime, until: datetime
) -> AlarmHold:
    """Take an enclosure out of service, or give it another end where it is already.

    Raises
    ------
    BadUse
        The end does not lie within the next `LONGEST_OUT`.
    """
    _require_sensible_end(now, until)
    hold = out_of_service(session, enclosure_id)
    if hold is None:
        return take_out_of_service(session, enclosure_id, by, note, now, until)
    return move_end(session, hold, Deed(by, now, now, note), until)


def _require_sensible_end(now: datetime, until: datetime) -> None:
    if not now < until <= now + LONGEST_OUT:
        raise BadUse(f"until: an enclosure is out of service until a time within the next {LONGEST_OUT.days} days")


def out_of_service(session: Session, enclosure_id: int) -> AlarmHold | None:
    """Return what keeps an enclosure out of service now."""
    for hold in standing_holds(session):
        if hold.kind == State.OUT_OF_SERVICE and hold.enclosure_id == enclosure_id:
            return hold
    return None


def put_back(session: Session, enclosure_id: int, by: str, note: str | None, now: datetime) -> AlarmHold:
    """Put an enclosure back into service.

    Raises
    ------
    Refused
        It is not out of service.
    """
    hold = out_of_service(session, enclosure_id)
    if hold is None or hold.id is None:
        raise Refused("the enclosure is not out of service")
    return end_hold(session, hold.id, by, now, note)


def unshelve(session: Session, alarm_id: int, by: str, note: str | None, now: datetime) -> None:
    """Take an alarm off the shelf, and with it all that were shelved together.

    Raises
    ------
    NotFound
        There is no such alarm.
    Refused
        It is not shelved.
    """
    alarm = get_alarm(session, alarm_id)
    hold = _shelf_of(session, alarm)
    if hold is None or hold.id is None:
        raise Refused(f"alarm {alarm_id}: an alarm that is {alarm.state} is not on the shelf")
    end_hold(session, hold.id, by, now, note)


def _shelf_of(session: Session, alarm: Alarm) -> AlarmHold | None:
    if alarm.state != State.SHELVED:
        return None
    for hold in standing_holds(session):
        if hold.kind == State.SHELVED and alarm.id in {one.id for one in alarms_under(session, hold, [State.SHELVED])}:
            return hold
    return None


def enclosure_of(session: Session, alarm_id: int) -> int:
    """Return the enclosure that an alarm is about.

    Raises
    ------
    NotFound
        There is no such alarm.
    Refused
        It is about no single enclosure.
    """
    alarm = get_alarm(session, alarm_id)
    if alarm.enclosure_id is None:
        raise Refused(f"alarm {alarm_id} is about no single enclosure; shelve it instead")
    return alarm.enclosure_id


def _answer(parts: Parts, alarm_id: int) -> AlarmDetail:
    """Hint the live stream, and answer the alarm as it stands after the change."""
    parts.wake.notify()
    with parts.store.read() as session:
        return alarm_detail(parts, session, alarm_id)


@router.post("/alarms/{alarm_id}/acknowledge", responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_acknowledge(parts: PartsDep, person: SignedIn, alarm_id: AlarmId, body: NoteIn) -> AlarmDetail:
    """Record that a person has seen the alarm; it says nothing of a cure. 409: acknowledged before, or held back."""
    with parts.store.write() as session:
        acknowledge(session, alarm_id, person.name, body.note, parts.now())
    return _answer(parts, alarm_id)


@router.post("/alarms/{alarm_id}/shelve", responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_shelve(parts: PartsDep, person: SignedIn, alarm_id: AlarmId, body: UntilIn) -> AlarmDetail:
    """Hide the alarm, and further ones of its condition at its place, until a time. 409: over, or held back."""
    now = parts.now()
    with parts.store.write() as session:
        shelve_until(session, alarm_id, person.name, body.note, now, body.end(now))
    return _answer(parts, alarm_id)


@router.post("/alarms/{alarm_id}/unshelve", responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_unshelve(parts: PartsDep, person: SignedIn, alarm_id: AlarmId, body: NoteIn) -> AlarmDetail:
    """Take the alarm off the shelf: its state is what its condition gives now. 409: it is not shelved."""
    with parts.store.write() as session:
        unshelve(session, alarm_id, person.name, body.note, parts.now())
    return _answer(parts, alarm_id)


@router.post("/alarms/{alarm_id}/out-of-service", responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_out_of_service(parts: PartsDep, person: SignedIn, alarm_id: AlarmId, body: UntilIn) -> AlarmDetail:
    """Take the alarm's enclosure out of service until a time. 409: it is, or the alarm is about no enclosure."""
    now = parts.now()
    with parts.store.write() as session:
        enclosure = enclosure_of(session, alarm_id)
        take_out_until(session, enclosure, person.name, body.note, now, body.end(now))
    return _answer(parts, alarm_id)


@router.post("/alarms/{alarm_id}/return", responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_return(parts: PartsDep, person: SignedIn, alarm_id: AlarmId, body: NoteIn) -> AlarmDetail:
    """Put the alarm's enclosure back into service. 409: it is not out of service."""
    with parts.store.write() as session:
        put_back(session, enclosure_of(session, alarm_id), person.name, body.note, parts.now())
    return _answer(parts, alarm_id)
