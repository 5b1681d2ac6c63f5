"""Care: what is due, closing it, equipment that is replaced, and UV index that was measured."""

from datetime import datetime
from typing import Annotated, Final

from fastapi import APIRouter, Path
from pydantic import BaseModel, ConfigDict, Field

from service.api.addresses import PREFIX
from service.api.answers import Answer, At
from service.api.care_due import Due, due_list, install, take_away
from service.api.problems import documented
from service.api.requests import IsoInstant, PartsDep, ZoneName, enclosure_named
from service.api.sign_in import SignedIn
from service.climate.uv_zones import SOURCE, zone_of_mean, zones_by_most
from service.model import CareDone
from service.store.care import (
    GREATEST_UV,
    LONGEST_KIND,
    LONGEST_NOTE,
    MOST_DAYS,
    NewDone,
    add_done,
    add_task,
    close_task,
    equipment_in_use,
    measured_uv,
    retire_task,
)
from service.store.facts import RoomFacts

_LARGEST: Final = 2**31 - 1
router = APIRouter(prefix=PREFIX, tags=["care"])
TaskNumber = Annotated[int, Path(ge=1, le=_LARGEST)]
EnclosureKey = Annotated[str, Field(max_length=64)]
SentKey = Annotated[
    str | None,
    Field(
        max_length=80,
        pattern=r"^[\x21-\x7e]+$",
        description="Your own name for this entry: sent twice, it is kept once.",
    ),
]


class _In(BaseModel):
    """What every request shares."""

    model_config = ConfigDict(extra="forbid")


class TaskIn(_In):
    """Something that has to be done every so many days; without an enclosure, for the whole site."""

    what: str = Field(min_length=1, max_length=LONGEST_KIND)
    every_days: float = Field(gt=0, le=MOST_DAYS)
    enclosure: EnclosureKey | None = None
    first_due: IsoInstant | None = Field(None, description="Default: now.")


class DoneIn(_In):
    """A task was done."""

    note: str | None = Field(None, max_length=LONGEST_NOTE)
    sent_key: SentKey = None


class EquipmentIn(_In):
    """New equipment, in the place of what is of its kind there."""

    enclosure: EnclosureKey
    kind: str = Field(min_length=1, max_length=200)
    replace_after_months: float | None = Field(None, gt=0, le=1_200)
    installed: IsoInstant | None = Field(None, description="Default: now.")


class UvIn(_In):
    """A UV index that was measured, the mean over the place where the animal basks."""

    enclosure: EnclosureKey
    uv_index: float = Field(ge=0, le=GREATEST_UV)
    zone: ZoneName = "basking"
    at: IsoInstant | None = Field(None, description="Default: now.")
    note: str | None = Field(None, max_length=LONGEST_NOTE)
    sent_key: SentKey = None


class DueAnswer(Answer):
    """Something that comes due: a `task`, `equipment` or a `reference check`."""

    kind: str
    what: str
    enclosure: str | None
    state: str
    due_at: At
    last_at: At | None
    last_by: str | None
    task: int | None
    probe: str | None


class EquipmentAnswer(Answer):
    """Equipment in use."""

    enclosure: str
    kind: str
    installed: At
    replace_after_months: float | None
    by: str


class UvAnswer(Answer):
    """A measured UV index, the zone whose means hold it, and those whose maxima do, by the published table."""

    enclosure: str
    uv_index: float
    zone: str | None
    at: At
    by: str
    uv_zone: int | None
    uv_zones_by_maximum: list[int]
    source: str


class CareAnswer(Answer):
    """What is due, the longest overdue first; equipment; and the newest UV index of each enclosure."""

    due: list[DueAnswer]
    equipment: list[EquipmentAnswer]
    uv: list[UvAnswer]


class TaskAnswer(Answer):
    """A task."""

    task: int
    what: str
    every_days: float
    enclosure: str | None


class DoneAnswer(Answer):
    """What was noted as done."""

    number: int
    kind: str
    enclosure: str | None
    at: At
    by: str
    note: str | None


@router.get("/care", responses=documented(503))
def get_care(parts: PartsDep) -> CareAnswer:
    """Return what is due, what is in use, and what was measured."""
    now = parts.now()
    with parts.store.read() as session:
        facts = parts.facts(session)
        due = due_list(session, facts, now)
        equipment = [row for row in equipment_in_use(session, now) if row.enclosure_id in facts.enclosures]
        uv = [row for key, row in measured_uv(session).items() if key in facts.enclosures]
    return CareAnswer(
        due=[_due(one, now) for one in due],
        equipment=[
            EquipmentAnswer(
                enclosure=facts.enclosures[row.enclosure_id].key, kind=row.kind, installed=row.from_at,
                replace_after_months=row.replace_after_months, by=row.entered_by,
            )
            for row in equipment
        ],
        uv=[_uv(row, facts) for row in uv],
    )  # fmt: skip


@router.post("/care/tasks", status_code=201, responses=documented(400, 404, 409, 413, 422, 503))
def post_task(parts: PartsDep, person: SignedIn, body: TaskIn) -> TaskAnswer:
    """Add a task. 409: there is one of that name for that place."""
    now = parts.now()
    with parts.store.write() as session:
        place = _place(parts.facts(session), body.enclosure)
        task = add_task(session, body.what, body.every_days, place, body.first_due or now, person.name, now)
        return TaskAnswer(task=task.id or 0, what=task.kind, every_days=task.every_days, enclosure=body.enclosure)


@router.post("/care/tasks/{task}/done", responses=documented(400, 404, 413, 422, 503))
def post_done(parts: PartsDep, person: SignedIn, task: TaskNumber, body: DoneIn) -> DoneAnswer:
    """Note that a task was done now."""
    with parts.store.write() as session:
        facts = parts.facts(session)
        row = close_task(session, task, person.name, parts.now(), _tidy(body.note), body.sent_key)
        return _done(row, facts)


@router.post("/care/tasks/{task}/retire", status_code=204, responses=documented(404, 422, 503))
def post_retire(parts: PartsDep, person: SignedIn, task: TaskNumber) -> None:
    """Let a task no longer come due; what was done stays on record."""
    with parts.store.write() as session:
        retire_task(session, task, person.name, parts.now())


@router.post("/care/equipment", status_code=204, responses=documented(400, 404, 413, 422, 503))
def post_equipment(parts: PartsDep, person: SignedIn, body: EquipmentIn) -> None:
    """Install equipment, in the place of what is of its kind in that enclosure."""
    with parts.store.read() as session:
        enclosure_named(parts.facts(session), body.enclosure)
    install(parts, body.enclosure, body.kind, body.replace_after_months, body.installed or parts.now(), person.name)


@router.post("/care/equipment/take-away", status_code=204, responses=documented(400, 404, 413, 422, 503))
def post_take_away(parts: PartsDep, person: SignedIn, body: EquipmentIn) -> None:
    """Take equipment out of use; that it was there stays on record."""
    with parts.store.read() as session:
        enclosure_named(parts.facts(session), body.enclosure)
    take_away(parts, body.enclosure, body.kind, person.name)


@router.post("/care/uv", status_code=201, responses=documented(400, 404, 413, 422, 503))
def post_uv(parts: PartsDep, person: SignedIn, body: UvIn) -> UvAnswer:
    """Note a UV index that was measured."""
    now = parts.now()
    with parts.store.write() as session:
        facts = parts.facts(session)
        place = enclosure_named(facts, body.enclosure).id
        new = NewDone("uv-index", body.at or now, place, body.uv_index, body.zone, _tidy(body.note), body.sent_key)
        return _uv(add_done(session, new, person.name, now), facts)


def _place(facts: RoomFacts, key: str | None) -> int | None:
    return None if key is None else enclosure_named(facts, key).id


def _tidy(note: str | None) -> str | None:
    return " ".join(note.split()) or None if note else None


def _due(one: Due, now: datetime) -> DueAnswer:
    return DueAnswer(
        kind=one.kind, what=one.what, enclosure=one.enclosure or None, state=one.state(now), due_at=one.due_at,
        last_at=one.last_at, last_by=one.last_by or None, task=one.number, probe=one.probe or None,
    )  # fmt: skip


def _uv(row: CareDone, facts: RoomFacts) -> UvAnswer:
    value = row.value or 0.0
    found = zone_of_mean(value)
    enclosure = facts.enclosures.get(row.enclosure_id or 0)
    return UvAnswer(
        enclosure=enclosure.key if enclosure else "", uv_index=value, zone=row.zone, at=row.at, by=row.by,
        uv_zone=found and found.number, uv_zones_by_maximum=[zone.number for zone in zones_by_most(value)],
        source=SOURCE,
    )  # fmt: skip


def _done(row: CareDone, facts: RoomFacts) -> DoneAnswer:
    enclosure = facts.enclosures.get(row.enclosure_id or 0)
    return DoneAnswer(
        number=row.id or 0, kind=row.kind, enclosure=enclosure.key if enclosure else None, at=row.at, by=row.by,
        note=row.note,
    )  # fmt: skip
