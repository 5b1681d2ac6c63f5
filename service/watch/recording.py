"""What the watch finds, written down: alarms, and what a blackout or a silent gateway explains."""

from datetime import datetime

from sqlmodel import Session

from service.alarms.holding import Scope, hold_back
from service.alarms.lifecycle import State
from service.alarms.record import WATCH, Deed, Occurrence, record_raised, record_returned
from service.model import from_ms
from service.store.alarms import find_alarm
from service.store.facts import RoomFacts
from service.store.holds import standing_holds
from service.watch.causes import likely_cause
from service.watch.channel_watch import AlarmEvent, AlarmRaised, AlarmReturned
from service.watch.conditions import GATEWAY_CUT, PROBE_SILENT, ROOM_BLACKOUT
from service.watch.room_watch import WITHIN_MS, room_named
from service.watch.supplies import probes_under

STRAGGLERS_MS = WITHIN_MS
"""How long after a blackout the probes have to speak again. Common practice, no source. [ms]"""

_COMMON = (ROOM_BLACKOUT, GATEWAY_CUT)


def record(session: Session, facts: RoomFacts, event: AlarmEvent, now_ms: int) -> int | None:
    """Write an alarm event down, in the caller's transaction, and return the alarm's number where it is a new fact."""
    recorded_at = from_ms(now_ms)
    if isinstance(event, AlarmReturned):
        alarm = find_alarm(session, event.condition.key, event.place, from_ms(event.raised_ms))
        if alarm is None:
            return None
        deed = Deed(WATCH, from_ms(event.at_ms), recorded_at, event.why)
        if not record_returned(session, alarm, deed, event.peak):
            return None
        if event.condition in _COMMON:
            _let_silences_end(session, event)
        return alarm.id
    occurrence = Occurrence(
        condition=event.condition.key,
        place=event.place,
        priority=event.condition.priority,
        raised_at=from_ms(event.at_ms),
        began_at=from_ms(event.began_ms),
        enclosure_id=event.enclosure_id,
        zone=event.zone,
        channel_id=event.channel_id,
        value=event.value,
        peak=event.peak,
        limit=event.limit,
        unit=event.unit,
        cause=likely_cause(session, facts, event),
    )
    raised = record_raised(session, occurrence, recorded_at)
    if raised is not None and event.condition in _COMMON:
        _hold_silences_back(session, facts, event, recorded_at)
    return raised.id if raised is not None else None


def _hold_silences_back(session: Session, facts: RoomFacts, event: AlarmRaised, recorded_at: datetime) -> None:
    """Suppress the silences that a common one explains."""
    room = room_named(facts, event.place)
    if room is not None:
        scope, why = Scope(PROBE_SILENT.key, room_id=room.id), "explained by the blackout of the room"
    else:
        probes = tuple(probes_under(facts, event.place))
        scope, why = Scope(PROBE_SILENT.key, places=probes), f"explained by the silence of {event.place}"
    deed = Deed(WATCH, from_ms(event.at_ms), recorded_at, why)
    hold_back(session, State.SUPPRESSED, scope, deed, until=None, because=event.place)


def _let_silences_end(session: Session, event: AlarmReturned) -> None:
    """Hold back for a moment longer what was explained: each probe needs its own time to speak again.

    Whoever is silent still after that is told by name.
    """
    for hold in standing_holds(session):
        if hold.kind == State.SUPPRESSED and hold.because == event.place:
            hold.until_at = from_ms(event.at_ms + STRAGGLERS_MS)
            session.add(hold)
