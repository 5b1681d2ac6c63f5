"""What was done to an animal's enclosures, and what was overdue there: the care tasks that a look-back tells of."""

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.climate.ranges import DAY_MS
from service.lookback.bodies import Body, instant
from service.lookback.lives.stays import Stay
from service.lookback.words import counted
from service.model import CareDone, from_ms, to_ms
from service.store.care import done_between, ever_done, tasks_at
from service.store.facts import RoomFacts


def care_done(session: Session, stays: Sequence[Stay], start_ms: int, end_ms: int) -> list[Body]:
    """Return what was done in [start, end) in the enclosures of stays while they lasted, the latest first.

    What was done in the whole site is told of each stay too: a water change of every enclosure is one of this one.
    """
    found: dict[int, Body] = {}
    for stay in stays:
        part = stay.within(start_ms, end_ms)
        if part is None:
            continue
        for row in done_between(session, from_ms(part.start_ms), from_ms(part.end_ms)):
            if row.id is not None and row.enclosure_id in {stay.enclosure.id, None}:
                found[row.id] = _body(row, stay)
    return sorted(found.values(), key=lambda one: one["at"], reverse=True)


def _body(row: CareDone, stay: Stay) -> Body:
    what = f"UV index {row.value:g} measured" if row.kind == "uv-index" and row.value is not None else row.kind
    where = "" if row.enclosure_id is None else stay.enclosure.key
    said = f"done in {where or 'the whole site'}: {what}" + (f" ({row.note})" if row.note else "")
    return {"kind": "care", "at": instant(to_ms(row.at)), "enclosure": where or None, "said": f"{said}."}


def care_overdue(
    session: Session, facts: RoomFacts, stays: Sequence[Stay], event_ms: int, zone: ZoneInfo
) -> Iterator[str]:
    """Yield the tasks of where it lived at an event that were overdue then by a day or more."""
    at = from_ms(event_ms)
    lived = {stay.enclosure.id for stay in stays if stay.within(event_ms - DAY_MS, event_ms + 1)}
    for task in tasks_at(session, at):
        if task.enclosure_id is not None and task.enclosure_id not in lived:
            continue
        last = ever_done(session, task.id or 0, at)
        due = _due(last, task.every_days, task.first_due)
        late = (at - due) // timedelta(days=1)
        if late >= 1:
            place = facts.enclosures.get(task.enclosure_id or 0)
            where = place.name if place else "the whole site"
            since = "never noted as done" if last is None else f"last done on {last.astimezone(zone):%Y-%m-%d}"
            yield f"The care task “{task.kind}” of {where} was {counted(late, 'day')} overdue: {since}."


def _due(last: datetime | None, every_days: float, first_due: datetime) -> datetime:
    return first_due if last is None else last + timedelta(days=every_days)
