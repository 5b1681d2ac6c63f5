"""Alarms: what stands, what stood, and what happened to one."""

from typing import Annotated, Final, Literal

from fastapi import APIRouter, Path, Query
from sqlmodel import Session

from service.api import alarm_load
from service.api.addresses import PREFIX
from service.api.answers import AlarmDetail, AlarmsAnswer, alarm_answer, transition_answer
from service.api.parts import Parts
from service.api.problems import documented
from service.api.requests import LARGEST_PAGE, PartsDep, enclosure_named
from service.store.alarms import get_alarm, list_alarms, transitions_of
from service.store.facts import RoomFacts

AlarmStateName = Literal[
    "unacknowledged",
    "acknowledged",
    "returned, unacknowledged",
    "shelved",
    "suppressed by design",
    "out of service",
    "normal",
]
PriorityName = Literal["high", "medium", "low"]
_LARGEST_ID: Final = 2**53 - 1

router = APIRouter(prefix=PREFIX, tags=["alarms"])
# Before /alarms/{alarm_id}, which takes any word for a number.
router.routes.extend(alarm_load.router.routes)


def keys_of(facts: RoomFacts) -> tuple[dict[int, str], dict[int, str]]:
    """Return the keys of enclosures and of channels by their ids."""
    enclosures = {enclosure.id: enclosure.key for enclosure in facts.enclosures.values()}
    return enclosures, {channel.id: channel.key for channel in facts.channels.values()}


@router.get("/alarms", responses=documented(404, 422, 503))
def list_all(
    parts: PartsDep,
    state: Annotated[AlarmStateName | None, Query(description="Only alarms in this state.")] = None,
    priority: Annotated[PriorityName | None, Query(description="Only alarms of this priority.")] = None,
    enclosure: Annotated[str | None, Query(max_length=64, description="Only alarms of this enclosure.")] = None,
    standing: Annotated[bool | None, Query(description="Only alarms whose condition holds, or does not.")] = None,
    cursor: Annotated[
        str | None, Query(pattern=r"^[1-9][0-9]{0,14}$", description="`next` of the page before.")
    ] = None,
    limit: Annotated[int, Query(ge=1, le=LARGEST_PAGE, description="How many at most.")] = 50,
) -> AlarmsAnswer:
    """Return alarms, the newest record first."""
    with parts.store.read() as session:
        facts = parts.facts(session)
        found = list_alarms(
            session,
            standing=standing,
            state=state,
            priority=priority,
            enclosure_id=None if enclosure is None else enclosure_named(facts, enclosure).id,
            before_id=None if cursor is None else int(cursor),
            limit=limit + 1,
        )
        keys = keys_of(facts)
        page = [alarm_answer(alarm, *keys) for alarm in found[:limit]]
    return AlarmsAnswer(alarms=page, next=str(page[-1].id) if len(found) > limit else None)


def alarm_detail(parts: Parts, session: Session, alarm_id: int) -> AlarmDetail:
    """Return an alarm with all that happened to it, or raise NotFound."""
    alarm = get_alarm(session, alarm_id)
    plain = alarm_answer(alarm, *keys_of(parts.facts(session)))
    transitions = [transition_answer(transition) for transition in transitions_of(session, alarm_id)]
    return AlarmDetail(**dict(plain), transitions=transitions)


@router.get("/alarms/{alarm_id}", responses=documented(404, 422, 503))
def get_one(parts: PartsDep, alarm_id: Annotated[int, Path(ge=1, le=_LARGEST_ID)]) -> AlarmDetail:
    """Return an alarm with all that happened to it."""
    with parts.store.read() as session:
        return alarm_detail(parts, session, alarm_id)
