"""Enclosures out of service for a while, and what is held back now."""

from typing import Literal

from fastapi import APIRouter
from pydantic import Field
from sqlmodel import Session

from service.api.addresses import PREFIX
from service.api.alarm_actions import NoteIn, UntilIn, put_back, rest_until
from service.api.answers import Answer, At
from service.api.problems import documented
from service.api.requests import PartsDep, enclosure_named
from service.api.sign_in import SignedIn
from service.model import AlarmHold
from service.store.facts import RoomFacts
from service.store.holds import alarms_under, standing_holds

router = APIRouter(prefix=PREFIX, tags=["alarms"])


class HoldAnswer(Answer):
    """Alarms that are held back for a time. A condition, place, enclosure or room that is null means any."""

    id: int
    kind: Literal["shelved", "suppressed by design", "out of service"]
    condition: str | None
    place: str | None
    enclosure: str | None
    room: str | None
    places: list[str] | None = Field(description="Any of these; null means any.")
    from_: At = Field(serialization_alias="from")
    until: At | None = Field(description="When it ends by itself; null while its reason lasts.")
    by: str
    note: str | None
    alarms: int = Field(description="How many it holds back now.")
    ended_at: At | None
    ended_by: str | None


class HoldsAnswer(Answer):
    """What is held back now, the newest first."""

    holds: list[HoldAnswer]


def hold_answer(session: Session, facts: RoomFacts, hold: AlarmHold) -> HoldAnswer:
    """Return a hold as it is answered."""
    enclosures = {one.id: one.key for one in (*facts.enclosures.values(), *facts.retired.values())}
    rooms = {room.id: room.key for room in facts.rooms}
    return HoldAnswer.model_validate(
        {
            "id": hold.id,
            "kind": hold.kind,
            "condition": hold.condition,
            "place": hold.place,
            "enclosure": enclosures.get(hold.enclosure_id) if hold.enclosure_id else None,
            "room": rooms.get(hold.room_id) if hold.room_id else None,
            "places": hold.places,
            "from_": hold.from_at,
            "until": hold.until_at,
            "by": hold.by,
            "note": hold.note,
            "alarms": 0 if hold.ended_at else len(alarms_under(session, hold, [hold.kind])),
            "ended_at": hold.ended_at,
            "ended_by": hold.ended_by,
        }
    )


@router.get("/holds", responses=documented(503))
def list_holds(parts: PartsDep) -> HoldsAnswer:
    """Return what is shelved, suppressed by design or out of service now, and until when."""
    with parts.store.read() as session:
        facts = parts.facts(session)
        return HoldsAnswer(holds=[hold_answer(session, facts, hold) for hold in standing_holds(session)])


@router.post("/enclosures/{enclosure_id}/out-of-service", responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_take_out(parts: PartsDep, person: SignedIn, enclosure_id: str, body: UntilIn) -> HoldAnswer:
    """Take an enclosure out of service until a time, or move that time: nothing is raised there meanwhile."""
    now = parts.now()
    with parts.store.write() as session:
        facts = parts.facts(session)
        named = enclosure_named(facts, enclosure_id)
        hold = rest_until(session, named.id, person.name, body.note, now, body.end(now))
        answer = hold_answer(session, facts, hold)
    parts.wake.notify()
    return answer


@router.post("/enclosures/{enclosure_id}/return", responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_put_back(parts: PartsDep, person: SignedIn, enclosure_id: str, body: NoteIn) -> HoldAnswer:
    """Put an enclosure back into service: what still holds there is told at once. 409: it is not out of service."""
    with parts.store.write() as session:
        facts = parts.facts(session)
        named = enclosure_named(facts, enclosure_id)
        answer = hold_answer(session, facts, put_back(session, named.id, person.name, body.note, parts.now()))
    parts.wake.notify()
    return answer
