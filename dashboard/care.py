"""The Care page's content: what is due, what is in use and how old it is, what was measured, what was done."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from urllib.parse import quote

from sqlmodel import Session

from dashboard.racks import racks_of
from dashboard.since import local_text
from dashboard.words import clock, exact, number, zone_name
from service.api.care_due import MONTH, Due, due_list
from service.climate.uv_zones import SOURCE, ZONES, zone_of_mean, zones_by_most
from service.model import CareDone, CareTask, Equipment
from service.store.care import care_tasks, done_between, equipment_in_use, measured_uv
from service.store.equipment_words import equipment_words, first_up
from service.store.facts import RoomFacts

_PAST: Final = timedelta(days=120)
_LISTED: Final = 60
_MONTHS_SAY_IT: Final = 2
"""Below so many, days say more."""
FEW: Final = 4
"""More pieces of equipment than these are folded: what is due of them stands above."""
KINDS: Final = ("basking lamp", "UV lamp", "daylight lamp", "heat mat", "filter", "misting nozzle", "pump", "reservoir")
"""Offered for equipment; anything else may be written."""
USUAL_TASKS: Final = (
    ("change the water", 7), ("refill the reservoir", 7), ("clean the filter", 30), ("descale the nozzles", 60),
    ("measure the UV index", 90), ("test the high-limit cut-out", 180),
)  # fmt: skip
"""Offered for tasks, with every how many days: common practice, no source."""


@dataclass(frozen=True, slots=True)
class DueView:
    """Something due, in words; `slug` is its element's id."""

    slug: str
    kind: str
    what: str
    enclosure: str
    where: str
    state: str
    when: str
    due_exact: str
    last: str
    number: int | None
    equipment: str
    probe: str
    every: str = ""
    first: str = ""


@dataclass(frozen=True, slots=True)
class EquipmentView:
    """Equipment in use, its age and how much of its life is over."""

    kind: str
    words: str
    since: str
    age: str
    life: str
    share: float | None
    is_over: bool
    months: str
    installed: str


@dataclass(frozen=True, slots=True)
class EquippedView:
    """An enclosure and the equipment that is in use there."""

    enclosure: str
    where: str
    pieces: tuple[EquipmentView, ...]


@dataclass(frozen=True, slots=True)
class UvView:
    """A measured UV index with its zone."""

    enclosure: str
    where: str
    value: str
    said: str
    when: str
    by: str


@dataclass(frozen=True, slots=True)
class DoneView:
    """Something that was done."""

    what: str
    enclosure: str
    where: str
    when: str
    exact: str
    by: str
    note: str


@dataclass(frozen=True, slots=True)
class CareView:
    """What the page shows; `counts` in words."""

    counts: str
    due: tuple[DueView, ...]
    later: tuple[DueView, ...]
    equipped: tuple[EquippedView, ...]
    pieces: int
    uv: tuple[UvView, ...]
    done: tuple[DoneView, ...]
    zones: tuple[tuple[int, str, str, str], ...]
    source: str


def care_view(session: Session, facts: RoomFacts, now: datetime) -> CareView:
    """Return what the page shows at `now`."""
    tasks = {task.id: task for task in care_tasks(session)}
    found = [(one, _due(one, tasks.get(one.number), facts, now)) for one in due_list(session, facts, now)]
    pressing = tuple(view for one, view in found if one.state(now) != "later")
    overdue = sum(one.state(now) == "overdue" for one, _ in found)
    later = tuple(view for one, view in found if one.state(now) == "later")
    pieces = [row for row in equipment_in_use(session, now) if row.enclosure_id in facts.enclosures]
    done = done_between(session, now - _PAST, now + timedelta(minutes=5), limit=_LISTED)
    uv = [row for key, row in measured_uv(session).items() if key in facts.enclosures]
    return CareView(
        _counts(overdue, len(pressing) - overdue), pressing, later,
        tuple(_equipped(pieces, facts, now)), len(pieces), tuple(_uv(row, facts, now) for row in uv),
        tuple(_done(row, facts, now) for row in done), tuple(_zone_rows()), SOURCE,
    )  # fmt: skip


def _counts(overdue: int, soon: int) -> str:
    said = ([f"{overdue} overdue"] if overdue else []) + ([f"{soon} within two weeks"] if soon else [])
    return " · ".join(said) or "nothing is due within two weeks"


def _due(one: Due, task: CareTask | None, facts: RoomFacts, now: datetime) -> DueView:
    last = ""
    if one.last_at is not None:
        verb = {"equipment": "installed", "reference check": "last checked"}.get(one.kind, "last done")
        last = f"{verb} {_date(one.last_at, facts, now)}" + (f" by {one.last_by}" if one.last_by else "")
    kind = one.what.removeprefix("replace the ") if one.kind == "equipment" else ""
    what = one.what if one.kind == "reference check" else equipment_words(one.what)
    return DueView(
        f"due-{one.kind.split()[0]}-{one.number or quote(f'{one.enclosure}-{kind}{one.probe}', safe='')}", one.kind,
        first_up(what), one.enclosure, one.where or "the whole site", one.state(now),
        _when(one.due_at, now), exact(one.due_at, facts.zone), last, one.number, kind, one.probe,
        f"{task.every_days:.12g}" if task else "", local_text(task.first_due, facts.zone) if task else "",
    )  # fmt: skip


def _when(due: datetime, now: datetime) -> str:
    days = round((due - now).total_seconds() / 86_400)
    if days == 0:
        return "due today"
    size = f"{abs(days)} day{'' if abs(days) == 1 else 's'}"
    return f"overdue by {size}" if days < 0 else f"due in {size}"


def _date(at: datetime, facts: RoomFacts, now: datetime) -> str:
    local, today = at.astimezone(facts.zone), now.astimezone(facts.zone)
    return f"{local.day} {local:%b}" if local.year == today.year else f"{local.day} {local:%b %Y}"


def _equipped(rows: Sequence[Equipment], facts: RoomFacts, now: datetime) -> Iterator[EquippedView]:
    """Yield the enclosures that have equipment, in the order of the racks."""
    for rack in racks_of(facts.enclosures.values()):
        for cell in rack.cells:
            there = tuple(_piece(row, facts, now) for row in rows if row.enclosure_id == cell.enclosure.id)
            if there:
                yield EquippedView(cell.enclosure.key, cell.enclosure.name, there)


def _piece(row: Equipment, facts: RoomFacts, now: datetime) -> EquipmentView:
    age, life = (now - row.from_at) / MONTH, row.replace_after_months
    share = None if life is None else age / life
    told = f"{age:.0f} months" if age >= _MONTHS_SAY_IT else f"{(now - row.from_at).days} days"
    return EquipmentView(
        row.kind, equipment_words(row.kind), _date(row.from_at, facts, now), told,
        "" if life is None else f"replace after {life:g} months", share, share is not None and share >= 1,
        "" if life is None else f"{life:.12g}", local_text(row.from_at, facts.zone),
    )  # fmt: skip


def uv_words(uv_index: float) -> str:
    """Return what a UV index means by the published zones."""
    found, most = zone_of_mean(uv_index), zones_by_most(uv_index)
    mean = f"as a mean, zone {found.number} ({found.behaviour})" if found else "as a mean above every zone: too much"
    top = " and ".join(str(zone.number) for zone in most)
    return f"{mean}; as the most at the lamp, {'zone ' + top if top else 'outside every zone'}"


def _uv(row: CareDone, facts: RoomFacts, now: datetime) -> UvView:
    enclosure = facts.enclosures[row.enclosure_id or 0]
    value = row.value or 0.0
    where = f"{enclosure.name}, {zone_name(row.zone).lower()}" if row.zone else enclosure.name
    return UvView(enclosure.key, where, number(value, "UV index"), uv_words(value), _date(row.at, facts, now), row.by)


def _done(row: CareDone, facts: RoomFacts, now: datetime) -> DoneView:
    enclosure = facts.enclosures.get(row.enclosure_id or 0)
    what = f"UV index {number(row.value, 'UV index')} measured" if row.kind == "uv-index" else equipment_words(row.kind)
    key, name = (enclosure.key, enclosure.name) if enclosure else ("", "the whole site")
    return DoneView(
        first_up(what), key, name, clock(row.at, facts.zone, now),
        exact(row.at, facts.zone), row.by, row.note or "",
    )  # fmt: skip


def _zone_rows() -> list[tuple[int, str, str, str]]:
    return [(z.number, z.behaviour, f"{z.mean[0]:g}–{z.mean[1]:g}", f"{z.most[0]:g}–{z.most[1]:g}") for z in ZONES]
