"""A trial of a draft: each day as it stood over what it would have been, and the alarms that change."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from dashboard.profiles import check_name_of
from dashboard.verdicts import Shown, of_check, percent
from dashboard.words import clock, measured, number, of_ms, span, unit_of, zone_name
from service.api.profile_trial import AlarmChange, CheckChange, DayTried, EnclosureTried, alarms_by_day
from service.api.trials import Trial
from service.store.facts import RoomFacts
from service.watch.conditions import CONDITIONS

_SHARE: Final = "1"
_KINDS: Final = {"gone": "would not come", "new": "would come", "ends otherwise": "would end otherwise"}


@dataclass(frozen=True, slots=True)
class DayCell:
    """A day in the two rows, with what the draft changes of it in words."""

    day: str
    date: str
    before: Shown
    after: Shown
    changes: tuple[str, ...]
    is_changed: bool
    alarms_before: int
    alarms_after: int


@dataclass(frozen=True, slots=True)
class AlarmLine:
    """An alarm that changes."""

    kind: str
    css: str
    what: str
    when: str
    lasted: str


@dataclass(frozen=True, slots=True)
class TriedView:
    """An enclosure's part of a trial."""

    key: str
    name: str
    said: str
    cells: tuple[DayCell, ...]
    alarms: tuple[AlarmLine, ...]


@dataclass(frozen=True, slots=True)
class TrialView:
    """What the page of a trial shows."""

    number: int
    profile: str
    species: str
    days: int
    is_over: bool
    failed: str
    done: int
    of: int
    said: str
    changes_nothing: bool
    enclosures: tuple[TriedView, ...]


def trial_view(trial: Trial, facts: RoomFacts, now: datetime) -> TrialView:
    """Return a trial, running or over."""
    result = trial.result
    tried = tuple(_tried(one, facts, now) for one in result.enclosures) if result else ()
    return TrialView(
        trial.number, trial.draft.id, trial.draft.species, trial.days, trial.over.is_set(), trial.failed,
        min(trial.done, trial.of), trial.of, _summary(trial), _is_same(trial), tried,
    )  # fmt: skip


def _is_same(trial: Trial) -> bool:
    enclosures = trial.result.enclosures if trial.result else ()
    return not any(one.alarm_changes or any(day.changes for day in one.days) for one in enclosures)


def _summary(trial: Trial) -> str:
    if trial.result is None:
        return ""
    enclosures = trial.result.enclosures
    days = sum(len(one.days) for one in enclosures)
    changed = sum(bool(day.changes) for one in enclosures for day in one.days)
    verdicts = sum(day.before != day.after for one in enclosures for day in one.days)
    before, after = (
        sum(len(alarms) for alarms in part)
        for part in zip(*((one.alarms_before, one.alarms_after) for one in enclosures), strict=True)
    )
    where = f"{len(enclosures)} enclosure{'' if len(enclosures) == 1 else 's'}"
    if _is_same(trial):
        return f"On {where} over {trial.days} days the draft would have changed no verdict and no alarm."
    return (
        f"On {where} over {trial.days} days: {changed} of {days} days have a check that comes out otherwise, "
        f"{verdicts} another verdict; {before} alarms as it stood, {after} under the draft."
    )


def _tried(one: EnclosureTried, facts: RoomFacts, now: datetime) -> TriedView:
    days = len(one.days)
    counts = [alarms_by_day(alarms, one.days[0].day, days, facts) for alarms in (one.alarms_before, one.alarms_after)]
    cells = tuple(_cell(day, *pair) for day, pair in zip(one.days, zip(*counts, strict=True), strict=True))
    changed = sum(bool(day.changes) for day in one.days)
    said = f"{changed} of {days} days change; {len(one.alarms_before)} alarms, {len(one.alarms_after)} under the draft"
    return TriedView(one.key, one.name, said, cells, tuple(_line(c, facts, now) for c in one.alarm_changes))


def _cell(day: DayTried, alarms_before: int, alarms_after: int) -> DayCell:
    return DayCell(
        _short(day.day), day.day.isoformat(), of_check(day.before), of_check(day.after),
        tuple(_change(change) for change in day.changes), bool(day.changes), alarms_before, alarms_after,
    )  # fmt: skip


def _short(day: date) -> str:
    return f"{day.day} {day:%b}"


def _change(change: CheckChange) -> str:
    before, after = (
        "not asked for"
        if verdict is None and value is None
        else f"{of_check(verdict).word} at {_value(value, change.unit)}"
        for verdict, value in ((change.before, change.value_before), (change.after, change.value_after))
    )
    return f"{check_name_of(change.check)}: {before} → {after}"


def _value(value: float | None, unit: str) -> str:
    if value is None:
        return "no value"
    return percent(value) if unit == _SHARE else measured(value, unit_of(unit))


def _line(change: AlarmChange, facts: RoomFacts, now: datetime) -> AlarmLine:
    alarm = change.alarm
    known = CONDITIONS.get(alarm.condition)
    title = known.title if known else alarm.condition
    where = f", {zone_name(alarm.zone).lower()}" if alarm.zone else ""
    peak = "" if alarm.peak is None else f", peak {number(alarm.peak, '')}"
    lasted = _lasted(alarm.raised_ms, alarm.returned_ms)
    if change.kind == "ends otherwise":
        lasted = f"{_lasted(alarm.raised_ms, change.returned_before_ms)} → {lasted}"
    return AlarmLine(
        _KINDS[change.kind], change.kind.replace(" ", "-"), f"{title}{where}{peak}",
        clock(of_ms(alarm.raised_ms), facts.zone, now), lasted,
    )  # fmt: skip


def _lasted(raised_ms: int, returned_ms: int | None) -> str:
    return "to the end" if returned_ms is None else span((returned_ms - raised_ms) / 1000)
