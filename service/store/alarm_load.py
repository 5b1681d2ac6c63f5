"""What was told within a span: the rows that the figures of the load are made of."""

from collections.abc import Iterator
from typing import Any, Final, NamedTuple

import sqlalchemy as sa
from sqlmodel import Session

from service.model import Alarm, AlarmTransition, from_ms, table_of, to_ms

_ALARM, _TRANSITION = table_of(Alarm), table_of(AlarmTransition)
_SUPPRESSED = "suppressed by design"
_HELD = ("shelved", _SUPPRESSED, "out of service")
_OPEN = ("unacknowledged", "returned, unacknowledged", "acknowledged", *_HELD)
_STOOD_MS: Final = 30 * 86_400_000


class ToldRow(NamedTuple):
    """An alarm that was told; times in ms since 1970, UTC, None while it has not happened."""

    condition: str
    place: str
    enclosure_id: int | None
    priority: str
    raised_ms: int
    returned_ms: int | None
    acknowledged_ms: int | None


def told_alarms(session: Session, start_ms: int, end_ms: int) -> Iterator[ToldRow]:
    """Yield the alarms told in [start_ms, end_ms), and earlier ones that stood within it. [ms since 1970, UTC].

    Left out are those that called nobody: held back in the instant in which they were raised, or suppressed by design
    since a common cause explained them. Of earlier ones that have returned, those raised in the 30 days before.
    """
    start, end = from_ms(start_ms), from_ms(end_ms)
    raised, returned, state = _ALARM.c.raised_at, _ALARM.c.returned_at, _ALARM.c.state
    within = sa.and_(raised >= start, raised < end)
    stood = sa.and_(raised >= from_ms(start_ms - _STOOD_MS), raised < start, returned >= start)
    stands = sa.and_(state.in_(_OPEN), raised < start, returned.is_(None))
    columns = (
        _ALARM.c.id, _ALARM.c.condition, _ALARM.c.place, _ALARM.c.enclosure_id, _ALARM.c.priority, raised, returned,
        _ALARM.c.acknowledged_at,
    )  # fmt: skip
    unheard = set(session.execute(sa.union(*(_unheard(where) for where in (within, stood, stands)))).scalars())
    seen: set[int] = set()
    for where in (within, stood, stands):
        for row in session.execute(sa.select(*columns).where(where)):
            if row.id not in unheard and row.id not in seen:
                seen.add(row.id)
                raised_ms, returned_ms, acknowledged_ms = to_ms(row[5]), _ms(row[6]), _ms(row[7])
                yield ToldRow(row[1], row[2], row[3], row[4], raised_ms, returned_ms, acknowledged_ms)


def _unheard(where: sa.ColumnElement[bool]) -> sa.Select[tuple[Any]]:
    """Select the alarms of a condition that called nobody."""
    at_once = sa.and_(_TRANSITION.c.after.in_(_HELD), _TRANSITION.c.at <= _ALARM.c.raised_at)
    explained = _TRANSITION.c.after == _SUPPRESSED
    joined = _ALARM.join(_TRANSITION, _TRANSITION.c.alarm_id == _ALARM.c.id)
    return sa.select(_ALARM.c.id).select_from(joined).where(where, sa.or_(at_once, explained))


def _ms(instant: Any) -> int | None:  # noqa: ANN401 - a row's column
    return None if instant is None else to_ms(instant)


def first_alarm_ms(session: Session) -> int | None:
    """Return when the first alarm on record was raised. [ms since 1970, UTC]."""
    first = session.execute(sa.select(sa.func.min(_ALARM.c.raised_at))).scalar_one()
    return None if first is None else to_ms(first)
