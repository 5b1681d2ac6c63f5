"""What the look-back keeps and asks for: days already assessed, the marks of channels' days, alarms of a span."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final, TypeAlias

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session, select

from service.model import Alarm, AssessmentDay, ChannelDay, ChannelState, table_of
from service.store.readings import DAY_MS

_KEPT, _DAY, _STATE = table_of(AssessmentDay), table_of(ChannelDay), table_of(ChannelState)
_ALARM = table_of(Alarm)
Mark: TypeAlias = tuple[int, int, int]
"""UTC day, the last write to it that came late, and the last write of the channel while this is its newest day."""
_AHEAD: Final = -1
_PAST: Final = -2


@dataclass(frozen=True, slots=True)
class KeptDay:
    """A day that was assessed.

    Attributes
    ----------
    day : date
    fingerprint : bytes
        Of what it rests on, as `DayMarks` and the facts tell without its readings.
    inputs : bytes
        Of what it rests on, readings included.
    body : bytes
        What the day was, compressed.
    """

    day: date
    fingerprint: bytes
    inputs: bytes
    body: bytes


class DayMarks:
    """Tells for a channel's days by what their readings can be known again, without reading them.

    Readings are only added. One that is newer than all of its channel changes the channel's state; any other
    changes the mark of its day. So while state and mark stand, the readings of the day stand.

    Parameters
    ----------
    session : Session
        Of `Store.read`; take the marks before the readings.
    channel_ids : iterable of int
    """

    def __init__(self, session: Session, channel_ids: Iterable[int]) -> None:
        ids = sorted(set(channel_ids))
        marks = sa.select(_DAY.c.channel_id, _DAY.c.day, _DAY.c.write).where(_DAY.c.channel_id.in_(ids))
        self._late = {(channel, day): write for channel, day, write in session.execute(marks)}
        states = sa.select(_STATE.c.channel_id, _STATE.c.at_ms, _STATE.c.write).where(_STATE.c.channel_id.in_(ids))
        self._newest = {channel: (at // DAY_MS, write) for channel, at, write in session.execute(states)}

    def of(self, channel_id: int, start_ms: int, end_ms: int) -> list[Mark]:
        """Return the marks of the UTC days that a span [start_ms, end_ms) touches."""
        newest, write = self._newest.get(channel_id, (_AHEAD, 0))
        return [
            (day, self._late.get((channel_id, day), 0), write if day == newest else _PAST if day < newest else _AHEAD)
            for day in range(start_ms // DAY_MS, (end_ms - 1) // DAY_MS + 1)
        ]


def kept_days(session: Session, enclosure_id: int, first: date, last: date) -> dict[date, KeptDay]:
    """Return the assessed days of an enclosure from `first` to `last`, both included."""
    query = sa.select(_KEPT.c.day, _KEPT.c.fingerprint, _KEPT.c.inputs, _KEPT.c.body)
    rows = session.execute(query.where(_KEPT.c.enclosure_id == enclosure_id, _KEPT.c.day.between(first, last)))
    return {row[0]: KeptDay(*row) for row in rows}


def keep_days(session: Session, enclosure_id: int, days: Sequence[KeptDay]) -> None:
    """Keep assessed days, each in place of what was kept of it before."""
    if not days:
        return
    dialect = session.connection().dialect.name
    insert = (sqlite.insert if dialect == "sqlite" else postgresql.insert)(_KEPT)
    new = {name: insert.excluded[name] for name in ("fingerprint", "inputs", "body")}
    rows = [
        {
            "enclosure_id": enclosure_id,
            "day": kept.day,
            "fingerprint": kept.fingerprint,
            "inputs": kept.inputs,
            "body": kept.body,
        }
        for kept in days
    ]
    session.execute(insert.on_conflict_do_update(index_elements=["enclosure_id", "day"], set_=new), rows)


def alarms_within(session: Session, enclosure_id: int, start: datetime, end: datetime) -> Sequence[Alarm]:
    """Return the alarms of an enclosure that stood at any time of a span [start, end), in order of time."""
    query = select(Alarm).where(_ALARM.c.enclosure_id == enclosure_id, _ALARM.c.raised_at < end)
    standing = sa.or_(_ALARM.c.returned_at.is_(None), _ALARM.c.returned_at >= start)
    return session.exec(query.where(standing).order_by(_ALARM.c.raised_at, _ALARM.c.condition, _ALARM.c.place)).all()
