"""What is due: tasks, equipment that has aged, probes whose reference check is long ago."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from sqlmodel import Session

from service.api.parts import Parts
from service.errors import BadUse, NotFound
from service.model import CareDone, CareTask, Equipment, from_ms, to_ms
from service.roomfile.editing import Document, edit_room, entry
from service.store.care import care_tasks, correct_equipment, equipment_in_use, last_done, task_numbered
from service.store.facts import RoomFacts
from service.store.placements import Entry, enclosure_row

MONTH: Final = timedelta(days=30.436875)
"""A year of 365.2425 days over twelve."""
CHECK_EVERY: Final = timedelta(days=365)
"""A probe's reference check is due after a year (common practice, no source)."""
SOON: Final = timedelta(days=14)
_CHECKED: Final = frozenset({"relative_humidity", "air_temperature", "surface_temperature", "substrate_temperature"})


@dataclass(frozen=True, slots=True)
class Due:
    """Something that is to be done.

    Attributes
    ----------
    kind : str
        ``task``, ``equipment`` or ``reference check``.
    what : str
    enclosure, where : str
        The key of its enclosure, and where it is in words; empty for the whole site.
    due_at : datetime
    last_at : datetime or None
        When it was done last, or installed.
    last_by : str
    number : int or None
        Of a task.
    probe : str
        Of a reference check.
    """

    kind: str
    what: str
    enclosure: str
    where: str
    due_at: datetime
    last_at: datetime | None
    last_by: str
    number: int | None = None
    probe: str = ""

    def state(self, now: datetime) -> str:
        """Return ``overdue``, ``soon`` or ``later``."""
        return "overdue" if self.due_at <= now else "soon" if self.due_at <= now + SOON else "later"


def due_list(session: Session, facts: RoomFacts, now: datetime) -> list[Due]:
    """Return everything that comes due, the longest overdue first."""
    done = last_done(session)
    found = [_of_task(task, done.get(task.id or 0), facts) for task in care_tasks(session)]
    found += [_of_equipment(row, facts) for row in equipment_in_use(session, now) if _ages(row, facts)]
    found += list(_of_probes(facts, now))
    return sorted(found, key=lambda one: (one.due_at, one.what, one.where))


def _of_task(task: CareTask, last: CareDone | None, facts: RoomFacts) -> Due:
    key, name = _place(facts, task.enclosure_id)
    due = last.at + timedelta(days=task.every_days) if last else task.first_due
    return Due("task", task.kind, key, name, due, last and last.at, last.by if last else "", task.id)


def _ages(row: Equipment, facts: RoomFacts) -> bool:
    return row.replace_after_months is not None and row.enclosure_id in facts.enclosures


def _of_equipment(row: Equipment, facts: RoomFacts) -> Due:
    key, name = _place(facts, row.enclosure_id)
    due = row.from_at + (row.replace_after_months or 0) * MONTH
    return Due("equipment", f"replace the {row.kind}", key, name, due, row.from_at, row.entered_by)


def _of_probes(facts: RoomFacts, now: datetime) -> Iterator[Due]:
    """Yield a check of each probe that was checked once, and stands somewhere now: a year after the last."""
    at_ms = to_ms(now)
    newest: dict[str, tuple[int, int]] = {}
    for channel in facts.channels.values():
        placed = channel.placement_at(at_ms)
        if channel.quantity not in _CHECKED or placed is None or not channel.calibrations:
            continue
        last = max(check.start_ms for check in channel.calibrations)
        if channel.probe not in newest or last < newest[channel.probe][0]:
            newest[channel.probe] = (last, placed.enclosure_id)
    for probe, (last, enclosure_id) in newest.items():
        key, name = _place(facts, enclosure_id)
        at = from_ms(last)
        yield Due(
            "reference check", f"check {probe} against a reference", key, name, at + CHECK_EVERY, at, "", probe=probe
        )


def _place(facts: RoomFacts, enclosure_id: int | None) -> tuple[str, str]:
    enclosure = facts.enclosures.get(enclosure_id or 0)
    return (enclosure.key, enclosure.name) if enclosure else ("", "")


def install(parts: Parts, enclosure: str, kind: str, months: float | None, installed: datetime, by: str) -> None:
    """Put new equipment into an enclosure, in the place of what is of its kind there.

    Raises
    ------
    BadUse
        What it is cannot be read, or it would have been installed in the future.
    """
    now, named = parts.now(), " ".join(kind.split())
    if installed > now:
        raise BadUse("it would be installed in the future: look at the date")

    def change(document: Document) -> None:
        entry(document, "enclosure", enclosure)
        others = [one for one in document.get("equipment", []) if (one["enclosure"], one["kind"]) != (enclosure, named)]
        piece: dict[str, Any] = {"enclosure": enclosure, "kind": named, "installed": installed}
        document["equipment"] = [*others, piece | ({} if months is None else {"replace_after_months": months})]

    edit_room(parts.store, change, by, now)
    parts.wake.notify()


def correct(parts: Parts, enclosure: str, kind: str, months: float | None, installed: datetime, by: str) -> None:
    """Put right since when equipment is in use, or its life: the same piece. Raises BadUse."""
    now = parts.now()
    if installed > now:
        raise BadUse("it would be installed in the future: look at the date")
    with parts.store.write() as session:
        place = enclosure_row(session, enclosure)
        if place is None:
            raise NotFound(f"there is no enclosure {enclosure[:64]!r}")
        correct_equipment(session, place, kind, installed, months, Entry(by, now))
    parts.wake.notify()


def change_task(parts: Parts, task: int, every_days: float, first_due: datetime | None, by: str) -> None:
    """Let a task come due at other times; what was done stays on record.

    Parameters
    ----------
    parts : Parts
    task : int
        Its number.
    every_days : float
    first_due : datetime or None
        None: as it was.
    by : str

    Raises
    ------
    NotFound
        There is no such task any more.
    BadUse
        The days cannot be.
    """
    with parts.store.read() as session:
        row = task_numbered(session, task)
        facts = parts.facts(session)
        place = _place(facts, row.enclosure_id or 0)[0] or None

    def change(document: Document) -> None:
        for one in document.get("care", []):
            if (one["what"], one.get("enclosure")) == (row.kind, place):
                one["every_days"] = every_days
                one["first_due"] = first_due or row.first_due

    edit_room(parts.store, change, by, parts.now())


def take_away(parts: Parts, enclosure: str, kind: str, by: str) -> None:
    """Take equipment out of use; that it was there stays on record. Raises BadUse where there is none."""

    def change(document: Document) -> None:
        there = document.get("equipment", [])
        left = [one for one in there if (one["enclosure"], one["kind"]) != (enclosure, kind)]
        if len(left) == len(there):
            raise BadUse(f"there is no {kind[:80]!r} in {enclosure[:64]!r} any more; load the page again")
        document["equipment"] = left

    edit_room(parts.store, change, by, parts.now())
    parts.wake.notify()
