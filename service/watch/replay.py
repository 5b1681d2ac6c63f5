"""Replay: the stored readings through the watch again, and how that compares with what was recorded."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from sqlmodel import Session

from service.model import Alarm, to_ms
from service.store.alarms import alarms_raised_between
from service.store.facts import RoomFacts
from service.watch.channel_watch import AlarmEvent, AlarmRaised, AlarmReturned
from service.watch.conditions import NOT_OF_READINGS
from service.watch.history import watched_channels, watched_enclosure
from service.watch.room_watch import RoomWatch

_DAY_MS: Final = 86_400_000
CHANNEL_RUN_IN_MS: Final = 3 * _DAY_MS
"""A standing alarm or a running delay from before the span is known after this long. [ms]"""
ENCLOSURE_RUN_IN_MS: Final = 40 * _DAY_MS
"""A misting trend rests on up to 33 cycles of one time of day. [ms]"""


@dataclass(frozen=True, slots=True)
class Derived:
    """An alarm as the watch derives it from the stored readings; times in ms since 1970, UTC."""

    condition: str
    place: str
    enclosure: str
    zone: str
    priority: str
    raised_ms: int
    returned_ms: int | None
    peak: float | None


@dataclass(frozen=True, slots=True)
class Difference:
    """Where two lists of alarms part: `kind` is "only recorded", "only derived" or "returned at another time"."""

    kind: str
    condition: str
    place: str
    raised_ms: int
    recorded_returned_ms: int | None
    derived_returned_ms: int | None


def derive(
    session: Session,
    facts: RoomFacts,
    start_ms: int,
    end_ms: int,
    enclosure_id: int | None = None,
    progress: Callable[[int], None] = lambda _: None,
) -> list[Derived]:
    """Return the alarms that the watch raises within a span, in order of time.

    Parameters
    ----------
    start_ms, end_ms : int
        Alarms raised in [start_ms, end_ms); readings up to `end_ms` say when they returned. [ms since 1970, UTC]
    enclosure_id : int, optional
        Only this enclosure.
    progress : callable
        Told how many of the steps of `replay_steps` are done since it was told last.
    """
    events = _of_channels(session, facts, start_ms, end_ms, enclosure_id)
    events += RoomWatch(facts).take(list(events), end_ms) if enclosure_id is None else []
    for enclosure in facts.enclosures.values():
        if enclosure_id in {None, enclosure.id}:
            run_in = start_ms - ENCLOSURE_RUN_IN_MS
            events += watched_enclosure(session, facts, enclosure, run_in, end_ms, progress)[1]
    return _paired(events, facts, start_ms, end_ms, enclosure_id)


def replay_steps(facts: RoomFacts, start_ms: int, end_ms: int, enclosure_id: int | None = None) -> int:
    """Return how many steps `derive` takes: the days of each enclosure, those before the span included."""
    enclosures = sum(enclosure_id in {None, enclosure} for enclosure in facts.enclosures)
    return enclosures * -(-(end_ms - start_ms + ENCLOSURE_RUN_IN_MS) // _DAY_MS)


def derive_of_channels(
    session: Session, facts: RoomFacts, start_ms: int, end_ms: int, enclosure_id: int
) -> list[Derived]:
    """Return the alarms of an enclosure that rest on one channel alone, as `derive` does, and much sooner."""
    events = _of_channels(session, facts, start_ms, end_ms, enclosure_id)
    return _paired(events, facts, start_ms, end_ms, enclosure_id)


def derive_of_air(session: Session, facts: RoomFacts, start_ms: int, end_ms: int, enclosure_id: int) -> list[Derived]:
    """Return the alarms of an enclosure that rest on its air's last hours, as `derive` does, and sooner."""
    run_in = start_ms - CHANNEL_RUN_IN_MS
    _watch, events = watched_enclosure(session, facts, facts.enclosures[enclosure_id], run_in, end_ms)
    return _paired(events, facts, start_ms, end_ms, enclosure_id)


def _of_channels(
    session: Session, facts: RoomFacts, start_ms: int, end_ms: int, enclosure_id: int | None
) -> list[AlarmEvent]:
    found = watched_channels(session, facts, start_ms - CHANNEL_RUN_IN_MS, end_ms, enclosure_id)
    return [event for _watch, happened in found for event in happened]


def _paired(
    events: Iterable[AlarmEvent], facts: RoomFacts, start_ms: int, end_ms: int, enclosure_id: int | None
) -> list[Derived]:
    """Put what was raised together with how it returned; the same alarm of two channels of a probe is one."""
    ends: dict[tuple[str, str, int], AlarmReturned] = {}
    begins: dict[tuple[str, str, int], AlarmRaised] = {}
    for event in sorted(events, key=lambda event: event.at_ms):
        if isinstance(event, AlarmReturned):
            ends.setdefault((event.condition.key, event.place, event.raised_ms), event)
        elif start_ms <= event.at_ms < end_ms and enclosure_id in {None, event.enclosure_id}:
            begins.setdefault((event.condition.key, event.place, event.at_ms), event)
    derived: list[Derived] = []
    for key, event in begins.items():
        end = ends.get(key)
        peak = event.peak if end is None or end.peak is None else end.peak
        derived.append(
            Derived(
                event.condition.key, event.place, _enclosure_key(facts, event.enclosure_id), event.zone,
                event.condition.priority, event.at_ms, end.at_ms if end else None, peak,
            )
        )  # fmt: skip
    return derived


def recorded(session: Session, facts: RoomFacts, start_ms: int, end_ms: int, enclosure_id: int | None) -> list[Derived]:
    """Return the alarms on record that were raised within a span and follow from readings, in the form of `derive`."""
    alarms = alarms_raised_between(session, start_ms, end_ms, enclosure_id)
    return [_of_record(alarm, facts) for alarm in alarms if alarm.condition not in NOT_OF_READINGS]


def _of_record(alarm: Alarm, facts: RoomFacts) -> Derived:
    returned = None if alarm.returned_at is None else to_ms(alarm.returned_at)
    return Derived(
        alarm.condition, alarm.place, _enclosure_key(facts, alarm.enclosure_id), alarm.zone or "", alarm.priority,
        to_ms(alarm.raised_at), returned, alarm.peak,
    )  # fmt: skip


def _enclosure_key(facts: RoomFacts, enclosure_id: int | None) -> str:
    """Return the enclosure's key, empty for an alarm of a whole room."""
    enclosure = facts.enclosures.get(enclosure_id or 0)
    return enclosure.key if enclosure else ""


def differences(there: Sequence[Derived], here: Sequence[Derived], end_ms: int) -> list[Difference]:
    """Return where recorded alarms (`there`) and derived ones (`here`) part, in order of time.

    A return at or after `end_ms` is not compared: the replay did not look so far.
    """
    recorded_by = {(alarm.condition, alarm.place, alarm.raised_ms): alarm for alarm in there}
    derived_by = {(alarm.condition, alarm.place, alarm.raised_ms): alarm for alarm in here}
    found: list[Difference] = []
    for key in sorted(recorded_by.keys() | derived_by.keys(), key=lambda key: (key[2], key)):
        one, other = recorded_by.get(key), derived_by.get(key)
        ends = [_within(alarm.returned_ms, end_ms) if alarm else None for alarm in (one, other)]
        if one is None or other is None:
            kind = "only derived" if one is None else "only recorded"
        elif ends[0] != ends[1]:
            kind = "returned at another time"
        else:
            continue
        found.append(Difference(kind, *key, ends[0], ends[1]))
    return found


def _within(at_ms: int | None, end_ms: int) -> int | None:
    return at_ms if at_ms is not None and at_ms < end_ms else None
