"""What has to be done again and again, what was done, and the equipment that ages."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa
from sqlmodel import Session, select

from service.errors import BadUse, NotFound, Refused
from service.model import CareDone, CareTask, Change, Enclosure, Equipment, table_of
from service.store.dated import replace
from service.store.facts import current
from service.store.placements import Entry
from service.store.readings import next_number

_TASK, _DONE = table_of(CareTask), table_of(CareDone)
LONGEST_NOTE = 500
LONGEST_KIND = 80
MOST_DAYS = 3_660.0
GREATEST_UV = 25.0
"""Above it nothing was ever measured under the sun or a lamp meant for animals (common practice, no source) [1]."""


@dataclass(frozen=True, slots=True)
class NewDone:
    """What was done; `sent_key` is the sender's own name for it, so that it is kept once."""

    kind: str
    at: datetime
    enclosure_id: int | None = None
    value: float | None = None
    zone: str | None = None
    note: str | None = None
    sent_key: str | None = None


def care_tasks(session: Session) -> Sequence[CareTask]:
    """Return the tasks that stand, in order of entry."""
    return session.exec(select(CareTask).where(_TASK.c.retired_at.is_(None)).order_by(_TASK.c.id)).all()


def tasks_at(session: Session, at: datetime) -> Sequence[CareTask]:
    """Return the tasks that stood at an instant, in order of entry."""
    stood = _TASK.c.made_at <= at, sa.or_(_TASK.c.retired_at.is_(None), _TASK.c.retired_at > at)
    return session.exec(select(CareTask).where(*stood).order_by(_TASK.c.id)).all()


def ever_done(session: Session, task_id: int, before: datetime) -> datetime | None:
    """Return when a task was done last by an instant; None where it never was."""
    query = select(CareDone).where(_DONE.c.task_id == task_id, _DONE.c.at <= before).order_by(_DONE.c.at.desc())
    row = session.exec(query.limit(1)).first()
    return None if row is None else row.at


def last_done(session: Session) -> dict[int, CareDone]:
    """Return when each task was done last, by the task's id."""
    each = _DONE.alias()
    newest = sa.select(sa.func.max(each.c.at)).where(each.c.task_id == _DONE.c.task_id).scalar_subquery()
    query = select(CareDone).where(_DONE.c.task_id.is_not(None), _DONE.c.at == newest)
    return {row.task_id: row for row in session.exec(query) if row.task_id is not None}


def done_between(
    session: Session, start: datetime, end: datetime, enclosure_id: int | None = None, limit: int = 500
) -> Sequence[CareDone]:
    """Return what was done in [start, end), the newest first; of an enclosure where one is named."""
    query = select(CareDone).where(_DONE.c.at >= start, _DONE.c.at < end)
    if enclosure_id is not None:
        query = query.where(_DONE.c.enclosure_id == enclosure_id)
    return session.exec(query.order_by(_DONE.c.at.desc(), _DONE.c.id.desc()).limit(limit)).all()


def measured_uv(session: Session) -> dict[int, CareDone]:
    """Return the newest UV index that was measured in each enclosure."""
    rows = session.exec(select(CareDone).where(_DONE.c.kind == "uv-index").order_by(_DONE.c.at, _DONE.c.id))
    return {row.enclosure_id: row for row in rows if row.enclosure_id is not None}


def equipment_in_use(session: Session, at: datetime) -> list[Equipment]:
    """Return the equipment that is in use at a time, by enclosure and kind."""
    rows = [row for row in current(session, Equipment) if row.from_at <= at and (not row.until_at or row.until_at > at)]
    return sorted(rows, key=lambda row: (row.enclosure_id, row.kind))


def equipment_installed(session: Session, enclosure_id: int, start: datetime, end: datetime) -> list[Equipment]:
    """Return the equipment of an enclosure that was installed in [start, end), in order of time."""
    return [
        row for row in current(session, Equipment) if row.enclosure_id == enclosure_id and start <= row.from_at < end
    ]


def correct_equipment(
    session: Session, place: Enclosure, kind: str, installed: datetime, months: float | None, entry: Entry
) -> None:
    """Put right since when a piece of equipment is in use, or after how many months it is replaced.

    What it came in the place of ends when it began, as before.

    Raises
    ------
    BadUse
        There is none in use, or one before it was installed at that time or later.
    """
    rows = [row for row in current(session, Equipment) if (row.enclosure_id, row.kind) == (place.id, kind)]
    piece = next((row for row in rows if row.until_at is None or row.until_at > entry.at), None)
    if piece is None:
        raise BadUse(f"there is no {kind[:80]!r} in {place.key!r} any more; load the page again")
    for before in rows:
        if before.id != piece.id and before.from_at >= installed:
            raise BadUse(f"the {kind[:80]} before it was installed at {before.from_at.isoformat()}: give a later time")
        if before.until_at == piece.from_at:
            replace(session, before, entry.by, entry.at, until_at=installed)
    replace(session, piece, entry.by, entry.at, from_at=installed, replace_after_months=months)
    told = (
        {"fact": "equipment", "kind": kind, "from_at": at.isoformat(), "replace_after_months": life}
        for at, life in ((piece.from_at, piece.replace_after_months), (installed, months))
    )
    before_after = dict(zip(("before", "after"), told, strict=True))
    session.add(Change(at=entry.at, by=entry.by, subject=f'enclosure "{place.key}"', **before_after))
    next_number(session, "facts")


def add_task(
    session: Session,
    kind: str,
    every_days: float,
    enclosure_id: int | None,
    first_due: datetime,
    by: str,
    now: datetime,
) -> CareTask:
    """Add a task.

    Raises
    ------
    BadUse
        It has no name, or comes never or without end.
    Refused
        There is one of that name for that place already.
    """
    named = " ".join(kind.split())
    if not 1 <= len(named) <= LONGEST_KIND:
        raise BadUse(f"what has to be done: expected 1 to {LONGEST_KIND} characters")
    if not 0 < every_days <= MOST_DAYS:
        raise BadUse(f"every how many days: expected above 0, at most {MOST_DAYS:g}, got {every_days:g}")
    for task in care_tasks(session):
        if (task.kind.casefold(), task.enclosure_id) == (named.casefold(), enclosure_id):
            raise Refused(f"{named!r} is a task there already")
    task = CareTask(
        enclosure_id=enclosure_id, kind=named, every_days=every_days, first_due=first_due, made_at=now, made_by=by
    )
    session.add(task)
    session.flush()
    return task


def task_numbered(session: Session, number: int) -> CareTask:
    """Return a task that stands, or raise NotFound."""
    task = session.get(CareTask, number)
    if task is None or task.retired_at is not None:
        raise NotFound(f"there is no care task {number} any more")
    return task


def change_task(session: Session, number: int, kind: str, every_days: float, first_due: datetime) -> None:
    """Write a task otherwise, or let it come due at other times; when it was done last stays known."""
    task = task_numbered(session, number)
    task.kind, task.every_days, task.first_due = kind, every_days, first_due
    session.add(task)


def retire_task(session: Session, number: int, by: str, now: datetime) -> None:
    """Let a task no longer come due; what was done stays on record."""
    task = task_numbered(session, number)
    task.retired_at, task.retired_by = now, by
    session.add(task)


def close_task(
    session: Session, number: int, by: str, now: datetime, note: str | None = None, sent_key: str | None = None
) -> CareDone:
    """Note that a task was done; sent twice under one key, it is noted once. Raises NotFound."""
    task = task_numbered(session, number)
    new = NewDone(task.kind, now, task.enclosure_id, note=note, sent_key=sent_key)
    return add_done(session, new, by, now, task_id=number)


def add_done(session: Session, new: NewDone, by: str, now: datetime, task_id: int | None = None) -> CareDone:
    """Note something that was done; sent twice under one key, it is noted once.

    Raises
    ------
    BadUse
        The note is too long, or the UV index can be none.
    """
    if new.sent_key is not None:
        there = session.exec(select(CareDone).where(_DONE.c.sent_key == new.sent_key)).first()
        if there is not None:
            return there
    if new.note is not None and len(new.note) > LONGEST_NOTE:
        raise BadUse(f"the note has {len(new.note)} characters, at most {LONGEST_NOTE} are kept")
    if new.kind == "uv-index" and not (new.value is not None and 0 <= new.value <= GREATEST_UV):
        raise BadUse(f"UV index: expected 0 to {GREATEST_UV:g}")
    row = CareDone(
        task_id=task_id, enclosure_id=new.enclosure_id, kind=new.kind, at=new.at, entered_at=now, by=by,
        value=new.value, zone=new.zone, note=new.note or None, sent_key=new.sent_key,
    )  # fmt: skip
    session.add(row)
    session.flush()
    return row
