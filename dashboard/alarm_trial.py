"""The trial of another limit in words: how many alarms, and what would have been missed."""

import math
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from markupsafe import Markup

from dashboard.alarm_load import told_at
from dashboard.words import condition_name, measured, span, zone_name
from service.climate.ranges import DAY_MS
from service.store.facts import RoomFacts
from service.watch.conditions import CONDITIONS, ILL_CAUTION
from service.watch.replay import Derived
from service.watch.trial import Trial, Tried

_EVENTS_SHOWN: Final = 20


@dataclass(frozen=True, slots=True)
class TriedRow:
    """One limit: what it is, what it would have done, and the bar of its alarms."""

    limit: str
    is_present: bool
    is_best: bool
    alarms: int
    picture: Markup
    missed: str
    misses: bool


@dataclass(frozen=True, slots=True)
class EventRow:
    """A real event: when it began, how long it stood, how far it went."""

    began: str
    exact: str
    iso: str
    lasted: str
    peak: str
    zone: str


@dataclass(frozen=True, slots=True)
class TrialView:
    """What the page of a trial shows.

    Attributes
    ----------
    what, where, key, condition : str
    days : int
    headline : str
        ``At 39.0 °C: 2 alarms instead of 31 in 30 days, none of the 2 real events missed.``
    meaning : str
        What counts as a real event.
    rows : tuple of TriedRow
    events : tuple of EventRow
        The newest first.
    more : int
        Events that are not listed.
    lines : str
        For the room file.
    step, asked : str
        For the form.
    cautions : tuple of str
    """

    what: str
    where: str
    key: str
    condition: str
    days: int
    headline: str
    meaning: str
    rows: tuple[TriedRow, ...]
    events: tuple[EventRow, ...]
    more: int
    lines: str
    unit: str
    asked: str
    cautions: tuple[str, ...]


def trial_view(trial: Trial, facts: RoomFacts, now: datetime, asked: float | None) -> TrialView:
    """Return a trial in words."""
    known = CONDITIONS.get(trial.condition)
    days = round((trial.end_ms - trial.start_ms) / DAY_MS)
    chosen = trial.tried[-1] if asked is not None and trial.tried[-1].limit == asked else _best(trial)
    most = max(1, *(one.alarms for one in trial.tried))
    newest = sorted(trial.real, key=lambda event: -event.raised_ms)
    return TrialView(
        what=known.title if known else condition_name(trial.condition),
        where=trial.enclosure.name,
        key=trial.enclosure.key,
        condition=trial.condition,
        days=days,
        headline=sentence(trial, chosen, days),
        meaning=_meaning(trial),
        rows=tuple(_row(trial, one, chosen, most) for one in trial.tried),
        events=tuple(_event(event, facts, now, trial.unit) for event in newest[:_EVENTS_SHOWN]),
        more=max(0, len(newest) - _EVENTS_SHOWN),
        lines=_lines(trial, chosen, now),
        unit=trial.unit,
        asked=f"{chosen.limit:g}",
        cautions=tuple(said for said in (known.caution if known else None, ILL_CAUTION) if said),
    )


def _best(trial: Trial) -> Tried:
    """Return the limit that misses nothing and raises least, of such the nearest to the present one."""
    safe = [one for one in trial.tried if not one.missed]
    return min(safe, key=lambda one: (one.alarms, abs(one.limit - trial.limit)), default=trial.tried[0])


def sentence(trial: Trial, chosen: Tried, days: int) -> str:
    """Return what a limit would have done: ``At 39.0 °C: 2 alarms instead of 31 in 30 days, …``."""
    present, events = trial.tried[0], len(trial.real)
    at = f"At {measured(chosen.limit, trial.unit)}"
    if chosen is present:
        return f"{at}, as now: {_alarms(chosen.alarms)} in {days} days, {_missed(chosen.missed, events)}."
    told = f"{_alarms(chosen.alarms)} instead of {present.alarms}"
    if chosen.alarms == present.alarms:
        told = f"{_alarms(chosen.alarms)}, as many as now,"
    return f"{at}: {told} in {days} days, {_missed(chosen.missed, events)}."


def _alarms(count: int) -> str:
    return f"{count or 'no'} alarm{'' if count == 1 else 's'}"


def _missed(missed: int, events: int) -> str:
    if not events:
        return "and there was no real event to miss"
    of = "the one real event" if events == 1 else f"the {events} real events"
    if events == 1:
        return f"{of} {'missed' if missed else 'not missed'}"
    return f"{missed or 'none'} of {of} missed"


def _meaning(trial: Trial) -> str:
    beyond = "above" if trial.rule.end == "high" else "below"
    return (
        f"A real event is a time in which the value was {beyond} {measured(trial.limit, trial.unit)} by more than "
        f"the {measured(trial.uncertainty, trial.unit)} that the probe may be off by, for longer than the alarm's "
        "on-delay. Each limit is taken as if it had been in force all along, and judged by the watch itself on the "
        "stored readings."
    )


def _row(trial: Trial, one: Tried, chosen: Tried, most: int) -> TriedRow:
    return TriedRow(
        limit=measured(one.limit, trial.unit),
        is_present=one is trial.tried[0],
        is_best=one is chosen,
        alarms=one.alarms,
        picture=Markup(f'<rect width="{100 * one.alarms / most:.1f}%" height="100%"/>'),  # noqa: S704 - a number
        missed=f"{one.missed} of {len(trial.real)}" if trial.real else "none to miss",
        misses=one.missed > 0,
    )


def _event(event: Derived, facts: RoomFacts, now: datetime, unit: str) -> EventRow:
    shown, exactly, iso = told_at(event.raised_ms, facts, now)
    lasted = "goes on" if event.returned_ms is None else span((event.returned_ms - event.raised_ms) / 1000)
    return EventRow(shown, exactly, iso, lasted, measured(event.peak, unit), zone_name(event.zone))


def _lines(trial: Trial, chosen: Tried, now: datetime) -> str:
    """Return what the room file would say: an override replaces the whole target, so both ends stand in it."""
    ends = {"low": trial.target.low, "high": trial.target.high, trial.rule.end: chosen.target}
    known = [f"{end} = {value:g}" for end, value in ends.items() if math.isfinite(value)]
    reason = f"tried on {round((trial.end_ms - trial.start_ms) / DAY_MS)} days"
    share = [] if trial.target.share is None else [f"share = {trial.target.share:g}"]
    return "\n".join(
        [
            f"[[enclosure.override]]    # of {trial.enclosure.key}", f'check = "{trial.rule.check}"', *known, *share,
            f"from = {now:%Y-%m-%dT%H:%M:00Z}", f'reason = "{reason}"',
        ]
    )  # fmt: skip
