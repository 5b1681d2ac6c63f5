"""The standing alarms as they are said on the broker, with the keys of their enclosures."""

from collections.abc import Collection
from datetime import datetime
from typing import Any, Final, NamedTuple

import sqlalchemy as sa
from sqlmodel import Session

from service.model import Alarm, Enclosure, table_of

_ALARM, _ENCLOSURE = table_of(Alarm), table_of(Enclosure)
_STANDING: Final = ("unacknowledged", "acknowledged")
_COLUMNS: Final = (
    "id", "condition", "place", "zone", "priority", "state", "raised_at", "began_at", "returned_at", "acknowledged_at",
    "acknowledged_by", "value", "peak", "limit", "unit", "cause", "note",
)  # fmt: skip


class SaidAlarm(NamedTuple):
    """An alarm as others may know it; `enclosure` is its key, None for one of a whole room."""

    enclosure: str | None
    id: int
    condition: str
    place: str
    zone: str | None
    priority: str
    state: str
    raised_at: datetime
    began_at: datetime
    returned_at: datetime | None
    acknowledged_at: datetime | None
    acknowledged_by: str | None
    value: float | None
    peak: float | None
    limit: float | None
    unit: str | None
    cause: str | None
    note: str | None


def standing_now(session: Session) -> list[SaidAlarm]:
    """Return the alarms whose condition holds and that are not held back, unanswered ones first, then by age."""
    answered = sa.case((_ALARM.c.state == _STANDING[1], 1), else_=0)
    query = _select().where(_ALARM.c.state.in_(_STANDING)).order_by(answered, _ALARM.c.raised_at, _ALARM.c.id)
    return [SaidAlarm(*row) for row in session.execute(query)]


def alarms_of(session: Session, ids: Collection[int]) -> list[SaidAlarm]:
    """Return these alarms as they stand now."""
    query = _select().where(_ALARM.c.id.in_(ids)).order_by(_ALARM.c.raised_at, _ALARM.c.id)
    return [SaidAlarm(*row) for row in session.execute(query)]


def _select() -> sa.Select[Any]:
    columns = (_ALARM.c[name] for name in _COLUMNS)
    joined = _ALARM.outerjoin(_ENCLOSURE, _ENCLOSURE.c.id == _ALARM.c.enclosure_id)
    return sa.select(_ENCLOSURE.c.key, *columns).select_from(joined)
