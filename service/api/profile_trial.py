"""What a draft of a profile would have done over the last days: verdicts and alarms, before it is saved.

The days are assessed and the readings watched again by the code that does so live: once by the profile as it stood,
once as if the draft had been in force all along. Nothing is written.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Final

from service.climate.assessment import assess_day
from service.lookback.bodies import Body, body_of
from service.lookback.inputs import day_readings, days_from, read_tapes
from service.lookback.plan import plan_day
from service.model import from_ms
from service.roomfile.spec import ProfileSpec
from service.store.engine import Store
from service.store.facts import EnclosureFact, ProfileVersionFact, RoomFacts
from service.store.programme import Programme
from service.store.readings import END_OF_TIME
from service.watch.replay import Derived, derive

MOST_DAYS: Final = 90
_CHUNK_DAYS: Final = 15
_ALARM_WORK: Final = 15
"""Watching a span again is about as much work as assessing so many of its days."""


@dataclass(frozen=True, slots=True)
class CheckChange:
    """A check whose verdict changes; None is a day that is not over, or a check that one of them does not ask for."""

    check: str
    before: str | None
    after: str | None
    value_before: float | None
    value_after: float | None
    unit: str


@dataclass(frozen=True, slots=True)
class DayTried:
    """A local day by the profile as it stood, and under the draft."""

    day: date
    before: str | None
    after: str | None
    changes: tuple[CheckChange, ...]


@dataclass(frozen=True, slots=True)
class AlarmChange:
    """An alarm that the draft would have kept from being raised, or would have raised, or ended at another time.

    Attributes
    ----------
    kind : str
        ``gone``, ``new`` or ``ends otherwise``.
    alarm : Derived
        As it would be under the draft; one that is gone as it was.
    returned_before_ms : int or None
        Where it ends otherwise. [ms since 1970, UTC]
    """

    kind: str
    alarm: Derived
    returned_before_ms: int | None = None


@dataclass(frozen=True, slots=True)
class EnclosureTried:
    """An enclosure over the span of a trial; the alarm lists hold every alarm, changed or not."""

    key: str
    name: str
    days: tuple[DayTried, ...]
    alarms_before: tuple[Derived, ...]
    alarms_after: tuple[Derived, ...]
    alarm_changes: tuple[AlarmChange, ...]


@dataclass(frozen=True, slots=True)
class TrialResult:
    """What a trial found."""

    profile: str
    first: date
    last: date
    enclosures: tuple[EnclosureTried, ...]


def followers(facts: RoomFacts, profile: str, now_ms: int) -> list[EnclosureFact]:
    """Return the enclosures that follow a profile now."""
    return [enclosure for enclosure in facts.enclosures.values() if enclosure.profile_at(now_ms) == profile]


def work_of(enclosures: int, days: int) -> int:
    """Return how many steps a trial tells as done, all together."""
    return enclosures * 2 * (days + _ALARM_WORK)


def run_trial(
    store: Store,
    facts: RoomFacts,
    draft: ProfileSpec,
    days: int,
    now_ms: int,
    progress: Callable[[int], None] = lambda _: None,
) -> TrialResult:
    """Try a draft on the enclosures that follow its profile.

    Parameters
    ----------
    store, facts
        As they stand.
    draft : ProfileSpec
        Its id is that of the profile.
    days : int
        1 to `MOST_DAYS`, ending yesterday.
    now_ms : int
        [ms since 1970, UTC]
    progress : callable
        Told how many further steps of `work_of` are done; what it raises ends the trial.
    """
    today = from_ms(now_ms).astimezone(facts.zone).date()
    first, last = today - timedelta(days=days), today - timedelta(days=1)
    versions = {**facts.profile_versions, draft.id: (as_version(draft),)}
    under = replace(facts, profile_versions=versions)
    tried = [
        _try_one(store, (facts, under), enclosure, days_from(first, last), now_ms, progress)
        for enclosure in followers(facts, draft.id, now_ms)
    ]
    return TrialResult(draft.id, first, last, tuple(tried))


def as_version(draft: ProfileSpec) -> ProfileVersionFact:
    """Return a draft as a version that was always in force."""
    return ProfileVersionFact(0, END_OF_TIME, draft.id, draft.species, 0, draft.body())


def _try_one(
    store: Store,
    both: tuple[RoomFacts, RoomFacts],
    enclosure: EnclosureFact,
    days: Sequence[date],
    now_ms: int,
    progress: Callable[[int], None],
) -> EnclosureTried:
    before, after = (list(_assessed(store, facts, enclosure, days, now_ms, progress)) for facts in both)
    edges = [Programme(both[0], enclosure).day(day) for day in (days[0], days[-1])]
    start_ms, end_ms = edges[0].start_ms, min(edges[1].end_ms, now_ms)
    alarms: list[list[Derived]] = []
    for facts in both:
        with store.read() as session:
            found = derive(session, facts, start_ms, end_ms, enclosure.id)
        alarms.append(found)
        progress(_ALARM_WORK)
    tried = tuple(_compared(one, other) for one, other in zip(before, after, strict=True))
    changes = tuple(alarm_changes(alarms[0], alarms[1], end_ms))
    return EnclosureTried(enclosure.key, enclosure.name, tried, tuple(alarms[0]), tuple(alarms[1]), changes)


def _assessed(
    store: Store,
    facts: RoomFacts,
    enclosure: EnclosureFact,
    days: Sequence[date],
    now_ms: int,
    progress: Callable[[int], None],
) -> Iterator[Body]:
    """Yield each day assessed, without keeping it: a draft's days are nobody's record."""
    programme = Programme(facts, enclosure)
    for begin in range(0, len(days), _CHUNK_DAYS):
        plans = [plan_day(facts, enclosure, programme, day) for day in days[begin : begin + _CHUNK_DAYS]]
        with store.read() as session:
            tapes = read_tapes(session, plans)
        for plan in plans:
            given = day_readings(plan, tapes, now_ms)
            yield body_of(enclosure.key, given, assess_day(given.given))["day"]
            progress(1)


def _compared(before: Body, after: Body) -> DayTried:
    old = {check["check"]: check for check in before["checks"]}
    new = {check["check"]: check for check in after["checks"]}
    changes: list[CheckChange] = []
    for name in dict.fromkeys([*old, *new]):
        one, two = old.get(name), new.get(name)
        verdicts = (one and one["verdict"], two and two["verdict"])
        if verdicts[0] != verdicts[1]:
            values = (one and one["value"], two and two["value"])
            changes.append(CheckChange(name, *verdicts, *values, (two or one or {})["unit"]))
    return DayTried(date.fromisoformat(before["date"]), before["verdict"], after["verdict"], tuple(changes))


def alarm_changes(before: Sequence[Derived], after: Sequence[Derived], end_ms: int) -> list[AlarmChange]:
    """Return where two lists of alarms part, in order of time; an end at or after `end_ms` is not compared."""
    old = {(a.condition, a.place, a.raised_ms): a for a in before}
    new = {(a.condition, a.place, a.raised_ms): a for a in after}
    found: list[AlarmChange] = []
    for key in sorted(old.keys() | new.keys(), key=lambda key: (key[2], key)):
        one, two = old.get(key), new.get(key)
        if two is None and one is not None:
            found.append(AlarmChange("gone", one))
        elif one is None and two is not None:
            found.append(AlarmChange("new", two))
        elif one is not None and two is not None and _end(one, end_ms) != _end(two, end_ms):
            found.append(AlarmChange("ends otherwise", two, one.returned_ms))
    return found


def _end(alarm: Derived, end_ms: int) -> int | None:
    return alarm.returned_ms if alarm.returned_ms is not None and alarm.returned_ms < end_ms else None


def alarms_by_day(alarms: Sequence[Derived], first: date, days: int, facts: RoomFacts) -> list[int]:
    """Return how many alarms were raised on each of so many local days."""
    counts = [0] * days
    for alarm in alarms:
        number = (from_ms(alarm.raised_ms).astimezone(facts.zone).date() - first).days
        if 0 <= number < days:
            counts[number] += 1
    return counts
