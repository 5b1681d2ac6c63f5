"""What is due by the calendar: equipment that has served its time, tasks that wait to be done."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import sqlalchemy as sa
from sqlmodel import Session, select

from service.climate.uncertainty import MONTH_MS
from service.model import CareDone, CareTask, Equipment, from_ms, table_of, to_ms
from service.store.facts import current

_TASK, _DONE = table_of(CareTask), table_of(CareDone)


@dataclass(frozen=True, slots=True)
class Due:
    """Something that should be done by an instant.

    Attributes
    ----------
    enclosure_id : int or None
        None for the whole site.
    kind : str
        Such as ``uvb-lamp`` or ``filter``.
    since : datetime
        When it was installed, or last done.
    at : datetime
        When it is due.
    replace : bool
        Equipment that is replaced; else a task.
    """

    enclosure_id: int | None
    kind: str
    since: datetime
    at: datetime
    replace: bool


def due_until(session: Session, now: datetime) -> list[Due]:
    """Return what was due by an instant, in that order."""
    found = [due for due in (*_equipment(session, now), *_tasks(session)) if due.at < now]
    return sorted(found, key=lambda due: (due.at, due.enclosure_id or 0, due.kind))


def _equipment(session: Session, now: datetime) -> Iterator[Due]:
    for fact in current(session, Equipment):
        is_here = fact.from_at <= now and (fact.until_at is None or now < fact.until_at)
        if is_here and fact.replace_after_months is not None:
            at = from_ms(to_ms(fact.from_at) + round(fact.replace_after_months * MONTH_MS))
            yield Due(fact.enclosure_id, fact.kind, fact.from_at, at, replace=True)


def _tasks(session: Session) -> Iterator[Due]:
    last = sa.select(_DONE.c.task_id, sa.func.max(_DONE.c.at)).where(_DONE.c.task_id.is_not(None))
    done: dict[int, datetime] = {row[0]: row[1] for row in session.execute(last.group_by(_DONE.c.task_id))}
    for task in session.exec(select(CareTask).where(_TASK.c.retired_at.is_(None))):
        before = done.get(task.id or 0)
        at = task.first_due if before is None else before + timedelta(days=task.every_days)
        yield Due(task.enclosure_id, task.kind, before or task.made_at, at, replace=False)
