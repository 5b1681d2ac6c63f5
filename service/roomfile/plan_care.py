"""Which care tasks are entered, changed, or come due no more.

Tasks are entered on the Care page too: a file without any `[[care]]` leaves them as they are, except those of an
enclosure that it no longer has. What was done stays on record.
"""

from collections.abc import Iterator
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from service.roomfile.changes import Action, PlannedChange, PutTask
from service.roomfile.spec import CareSpec, RoomFile
from service.roomfile.standing import Standing, StandingTask


def plan_care(standing: Standing, room_file: RoomFile, now: datetime) -> list[PlannedChange]:
    """Return every change of a care task."""
    there = {(task.what.casefold(), task.enclosure): task for task in standing.care}
    wanted = {(task.what.casefold(), task.enclosure): task for task in room_file.care}
    known = {enclosure.id for enclosure in room_file.enclosures} | {None}
    zone = ZoneInfo(room_file.site.timezone)
    gone = [
        task for key, task in there.items() if key not in wanted and (room_file.care or task.enclosure not in known)
    ]
    changes = [change for key, task in wanted.items() for change in _wanted(task, there.get(key), now, zone)]
    return [*changes, *(_retired(task) for task in gone)]


def _wanted(spec: CareSpec, there: StandingTask | None, now: datetime, zone: ZoneInfo) -> Iterator[PlannedChange]:
    first = spec.first_due or (there.first_due if there else now)
    put = PutTask(there.id if there else None, spec.what, spec.enclosure, spec.every_days, first)
    title = _title(spec.what, spec.enclosure)
    when = f"{_days(spec.every_days)}, first on {first.astimezone(zone).isoformat(sep=' ', timespec='minutes')}"
    if there is None:
        yield _change("added", spec.enclosure, f"{title} is added, {when}", None, put)
        return
    was = PutTask(there.id, there.what, there.enclosure, there.every_days, there.first_due)
    if was != put:
        before = "" if was.every_days == put.every_days else f"; before, {_days(was.every_days)}"
        yield _change("changed", spec.enclosure, f"{title} is due {when}{before}", was, put)


def _retired(there: StandingTask) -> PlannedChange:
    was = PutTask(there.id, there.what, there.enclosure, there.every_days, there.first_due)
    gone = PutTask(there.id, there.what, there.enclosure, there.every_days, there.first_due, is_retired=True)
    said = f"{_title(there.what, there.enclosure)} comes due no more: what was done stays on record"
    return _change("retired", there.enclosure, said, was, gone)


def _change(
    action: Action, enclosure: str | None, sentence: str, before: PutTask | None, put: PutTask
) -> PlannedChange:
    subject = "site" if enclosure is None else f'enclosure "{enclosure}"'
    return PlannedChange(action, subject, sentence, before and _shown(before), _shown(put), (put,))


def _title(what: str, enclosure: str | None) -> str:
    return f'care task "{what}" of {"the whole site" if enclosure is None else enclosure}'


def _days(every: float) -> str:
    return "every day" if every == 1 else f"every {every:g} days"


def _shown(task: PutTask) -> dict[str, Any]:
    return {
        "fact": "care_task",
        "kind": task.what,
        "every_days": task.every_days,
        "first_due": task.first_due.isoformat(),
        "is_retired": task.is_retired,
    }
