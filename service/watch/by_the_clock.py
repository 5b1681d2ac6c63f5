"""What no reading tells: care that is overdue, and enclosures whose time out of service was forgotten.

Nothing is remembered: what should stand follows from the facts and the record, and is compared with what does.
"""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from sqlmodel import Session

from service.alarms.lifecycle import State
from service.alarms.record import WATCH
from service.model import Alarm, AlarmHold, from_ms, to_ms
from service.store.alarm_lists import not_returned, not_returned_in
from service.store.alarms import find_alarm
from service.store.equipment_words import equipment_words, first_up
from service.store.facts import EnclosureFact, RoomFacts
from service.store.holds import ended_holds_since, standing_holds
from service.store.overdue import due_until
from service.watch.channel_watch import AlarmEvent, AlarmRaised, AlarmReturned
from service.watch.conditions import CARE_OVERDUE, CONDITIONS, OUT_FOR_LONG, OUT_OVER, Condition

# All of these: common practice, no source.
LOOK_EVERY_MS: Final = 10_000
LONG: Final = timedelta(hours=12)
"""A shorter rest needs no reminder: whoever began it is still there."""
REMIND_AFTER: Final = timedelta(hours=24)
REMIND_BEFORE: Final = timedelta(hours=1)
LOOKS_BACK: Final = timedelta(days=7)
"""So long after its end a forgotten rest is called one."""
_BY_THE_CLOCK: Final = (CARE_OVERDUE, OUT_FOR_LONG, OUT_OVER)
_NAMED: Final = 4


@dataclass(frozen=True, slots=True)
class _Standing:
    """What should stand: raised at an instant, since another, with the reason."""

    condition: Condition
    place: str
    enclosure_id: int | None
    at: datetime
    began: datetime
    cause: str


def changes_by_the_clock(
    session: Session, facts: RoomFacts, enclosures: Collection[int], now_ms: int, *, whole_site: bool = True
) -> list[AlarmEvent]:
    """Return what is to be raised and what has returned.

    Parameters
    ----------
    session : Session
        Of `Store.read`.
    facts : RoomFacts
    enclosures : collection of int
        Ids of those that this process watches.
    now_ms : int
        [ms since 1970, UTC]
    whole_site : bool
        Whether this process also tells what is about no enclosure.
    """
    now = from_ms(now_ms)

    def is_ours(enclosure_id: int | None) -> bool:
        return whole_site if enclosure_id is None else enclosure_id in enclosures

    wanted = {(one.condition.key, one.place): one for one in _all(session, facts, now) if is_ours(one.enclosure_id)}
    there = {(alarm.condition, alarm.place): alarm for alarm in not_returned(session, [c.key for c in _BY_THE_CLOCK])}
    events: list[AlarmEvent] = []
    for key, one in wanted.items():
        if key not in there and find_alarm(session, *key, one.at) is None:
            events.append(_raised(one))
    for key, alarm in there.items():
        if key not in wanted and is_ours(alarm.enclosure_id):
            events.append(AlarmReturned(CONDITIONS[key[0]], key[1], to_ms(alarm.raised_at), now_ms, None, _why(key[0])))
    return events


def _why(condition: str) -> str:
    return "seen to" if condition == CARE_OVERDUE.key else "no longer so"


def _raised(one: _Standing) -> AlarmRaised:
    return AlarmRaised(
        one.condition, one.place, one.enclosure_id, "", None, to_ms(one.at), to_ms(one.began), cause=one.cause
    )


def _all(session: Session, facts: RoomFacts, now: datetime) -> Iterator[_Standing]:
    yield from _overdue(session, facts, now)
    standing = [hold for hold in standing_holds(session) if hold.kind == State.OUT_OF_SERVICE]
    for hold in standing:
        yield from _long(hold, facts, now)
    resting = {hold.enclosure_id for hold in standing}
    ended = {hold.enclosure_id: hold for hold in ended_holds_since(session, now - LOOKS_BACK)}
    for enclosure_id, hold in ended.items():
        if hold.kind == State.OUT_OF_SERVICE and hold.ended_by == WATCH and enclosure_id not in resting:
            yield from _forgotten(session, hold, facts)


def _overdue(session: Session, facts: RoomFacts, now: datetime) -> Iterator[_Standing]:
    for due in due_until(session, now):
        enclosure = facts.enclosures.get(due.enclosure_id or 0)
        if enclosure is None and due.enclosure_id is not None:
            continue
        since, at = (f"{moment.astimezone(facts.zone):%Y-%m-%d}" for moment in (due.since, due.at))
        told = f"installed {since}, to be replaced by {at}" if due.replace else f"last done {since}, due {at}"
        place = f"{enclosure.key if enclosure else 'site'}/{due.kind}"
        kind = first_up(equipment_words(due.kind))
        yield _Standing(CARE_OVERDUE, place, due.enclosure_id, due.at, due.at, f"{kind}: {told}.")


def _long(hold: AlarmHold, facts: RoomFacts, now: datetime) -> Iterator[_Standing]:
    """Remind of a long rest after a day, or an hour before its end where that comes sooner."""
    enclosure = facts.enclosures.get(hold.enclosure_id or 0)
    if enclosure is None or (hold.until_at is not None and hold.until_at - hold.from_at < LONG):
        return
    ends = [hold.from_at + REMIND_AFTER] + ([hold.until_at - REMIND_BEFORE] if hold.until_at else [])
    if now >= min(ends):
        until = f" It is watched again from {_local(hold.until_at, facts)}." if hold.until_at else ""
        told = f"Out of service since {_local(hold.from_at, facts)}, {_who(hold)}.{until}"
        yield _Standing(OUT_FOR_LONG, enclosure.key, enclosure.id, min(ends), hold.from_at, told)


def _forgotten(session: Session, hold: AlarmHold, facts: RoomFacts) -> Iterator[_Standing]:
    """Call when a rest has ended by itself, and what it held back then still holds."""
    enclosure, ended = facts.enclosures.get(hold.enclosure_id or 0), hold.ended_at
    if enclosure is None or ended is None:
        return
    still = [alarm for alarm in not_returned_in(session, enclosure.id, ended) if _is_of_the_climate(alarm)]
    if still:
        yield _Standing(OUT_OVER, enclosure.key, enclosure.id, ended, ended, _told(still, hold, enclosure, facts))


def _is_of_the_climate(alarm: Alarm) -> bool:
    return alarm.priority != "low" and all(alarm.condition != one.key for one in _BY_THE_CLOCK)


def _told(still: list[Alarm], hold: AlarmHold, enclosure: EnclosureFact, facts: RoomFacts) -> str:
    titles = [CONDITIONS[key].title if key in CONDITIONS else key for key in dict.fromkeys(a.condition for a in still)]
    more = f" and {len(titles) - _NAMED} more" if len(titles) > _NAMED else ""
    ended = _local(hold.ended_at or hold.from_at, facts)
    held = "; ".join(titles[:_NAMED])
    return f"The time out of service of {enclosure.name} ended at {ended}, {_who(hold)}. Still so: {held}{more}."


def _who(hold: AlarmHold) -> str:
    return f"by {hold.by}" + (f": {hold.note.rstrip('.')}" if hold.note else "")


def _local(at: datetime, facts: RoomFacts) -> str:
    return f"{at.astimezone(facts.zone):%Y-%m-%d %H:%M}"
