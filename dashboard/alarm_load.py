"""The Load page's content: when alarms came, how that compares with the standard's figures, and what to try."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Final

from markupsafe import Markup, escape
from sqlmodel import Session

from dashboard.words import clock, condition_name, exact, iso, of_ms, span
from service.alarms.benchmarks import LEAST_ALARMS, LEAST_DAYS, PRIORITY_SHARES, Benchmark, Verdict, benchmarks
from service.alarms.load import Actor, Answering, Load, Told
from service.api.alarm_load import has_trial, load_for
from service.climate.day_cycle import local_day
from service.model import to_ms
from service.store.facts import RoomFacts
from service.watch.conditions import CONDITIONS

SPANS: Final = (7, 30, 90)
"""Days that the page offers. [d]"""
SHAPES: Final[Mapping[Verdict, str]] = {
    "acceptable": "steady", "at the limit": "drifting", "too much": "act", "not judged": "blind",
}  # fmt: skip
_TOP: Final = {"high": 6, "medium": 34, "low": 62}
"""Where an alarm's mark begins: the more urgent, the taller. [%]"""
_DAY_MINUTES: Final = 1440
_EVERY_HOURS: Final = 6


@dataclass(frozen=True, slots=True)
class DayRow:
    """One local day: its name, its alarms on the light of the day, how many."""

    day: date
    name: str
    picture: Markup
    count: int


@dataclass(frozen=True, slots=True)
class Measure:
    """A benchmark in words: what, here, what it may be, and how that stands."""

    name: str
    here: str
    allowed: str
    verdict: Verdict
    shape: str
    note: str
    source: str


@dataclass(frozen=True, slots=True)
class Bar:
    """A name with its count, and the bar that is as long."""

    name: str
    address: str
    count: int
    picture: Markup


@dataclass(frozen=True, slots=True)
class ActorView:
    """What was told often, and what can be done about it; `day` has each time that it came, by the time of day."""

    what: str
    where: str
    key: str
    said: str
    next_step: str
    trial: str
    day: Markup


@dataclass(frozen=True, slots=True)
class LoadView:
    """What the Load page shows.

    Attributes
    ----------
    days : int
        Asked for.
    headline, lead : str
        The verdict in a few words, and the sentence that explains it.
    shape : str
    rows : tuple of DayRow
        The newest day last.
    lit : str
        Whose light the rows are drawn on, in words; empty without lights.
    measures : tuple of Measure
    shares : tuple of (str, str, str)
        Priority, its share here, and what it should come to; empty while there are too few alarms.
    answering : tuple of (str, str)
        Priority, and how soon alarms of it were acknowledged.
    conditions, enclosures : tuple of Bar
    actors : tuple of ActorView
    floods : tuple of str
    """

    days: int
    headline: str
    lead: str
    shape: str
    rows: tuple[DayRow, ...]
    lit: str
    measures: tuple[Measure, ...]
    shares: tuple[tuple[str, str, str], ...]
    answering: tuple[tuple[str, str], ...]
    conditions: tuple[Bar, ...]
    enclosures: tuple[Bar, ...]
    actors: tuple[ActorView, ...]
    floods: tuple[str, ...]


def load_view(session: Session, facts: RoomFacts, now: datetime, days: int) -> LoadView:
    """Return the load of the last local days up to `now`."""
    load, told = load_for(session, facts, now, days)
    judged = benchmarks(load)
    worst = max(judged, key=lambda one: _RANK.index(one.verdict)).verdict
    lights = _usual_lights(facts, to_ms(now))
    return LoadView(
        days=days,
        headline=_HEADLINES[worst] if load.alarms else "No alarm came",
        lead=_lead(load, judged),
        shape=SHAPES[worst],
        rows=_rows(load, told, lights, facts),
        lit=f"{lights[0]}–{lights[1]}" if lights else "",
        measures=tuple(map(_measure, judged)),
        shares=_shares(load),
        answering=tuple((priority, _answered(one)) for priority, one in load.answering.items() if one.told),
        conditions=_bars([(_title(key), "", count) for key, count in load.by_condition]),
        enclosures=_bars([(*_enclosure(key, facts), count) for key, count in load.by_enclosure]),
        actors=_actors(load, told, lights, facts, days),
        floods=tuple(
            f"{clock(of_ms(flood.start_ms), facts.zone, now)}, for {span((flood.end_ms - flood.start_ms) / 1000)}: "
            f"{flood.alarms} alarms"
            for flood in load.floods
        ),
    )


_RANK: Final = ("not judged", "acceptable", "at the limit", "too much")
_HEADLINES: Final[Mapping[Verdict, str]] = {
    "acceptable": "Within what one person can answer",
    "not judged": "Within what one person can answer",
    "at the limit": "Near the most that one person can answer",
    "too much": "More than one person should be asked to answer",
}


def _lead(load: Load, judged: Sequence[Benchmark]) -> str:
    count = f"{load.alarms:,} alarm{'' if load.alarms == 1 else 's'}"
    over = f"in {len(load.by_day)} day{'' if len(load.by_day) == 1 else 's'}, {load.per_day:.1f} a day."
    bad = [one.measure[0].lower() + one.measure[1:] for one in judged if one.verdict == "too much"]
    wrong = f" Too much: {'; '.join(bad)}." if bad else ""
    short = len(load.by_day) < LEAST_DAYS
    young = f" The standard's averages are meant for {LEAST_DAYS} days or more." if short else ""
    return f"{count} {over}{wrong}{young}"


def _usual_lights(facts: RoomFacts, now_ms: int) -> tuple[str, str] | None:
    """Return from when to when the lights are on in most enclosures, by the wall clock."""
    known = [lights for one in facts.enclosures.values() if (lights := one.lights_at(now_ms)) is not None]
    counted = Counter((f"{lights.on:%H:%M}", f"{lights.off:%H:%M}") for lights in known)
    return max(counted, key=lambda pair: counted[pair]) if counted else None


def _rows(load: Load, told: Sequence[Told], lights: tuple[str, str] | None, facts: RoomFacts) -> tuple[DayRow, ...]:
    of_day: dict[date, list[Told]] = {}
    for alarm in told:
        if alarm.raised_ms >= load.start_ms:
            of_day.setdefault(of_ms(alarm.raised_ms).astimezone(facts.zone).date(), []).append(alarm)
    rows: list[DayRow] = []
    for at_ms, count in load.by_day:
        day = of_ms(at_ms).astimezone(facts.zone).date()
        picture = _day_picture(day, of_day.get(day, []), lights, facts)
        rows.append(DayRow(day, f"{day:%a} {day.day} {day:%b}", picture, count))
    return tuple(rows)


def _day_picture(day: date, alarms: Sequence[Told], lights: tuple[str, str] | None, facts: RoomFacts) -> Markup:
    """Return a day from left to right, each alarm a mark at its time, taller the more urgent it is."""
    start, end = local_day(day, facts.zone)
    ground = f'<rect class="{"dark" if lights else "lightless"}" width="100%" height="100%"/>' + _lit(lights)
    hours = "".join(
        f'<line class="hour-line" x1="{100 * hour / 24:.2f}%" x2="{100 * hour / 24:.2f}%" y1="0" y2="100%"/>'
        for hour in range(_EVERY_HOURS, 24, _EVERY_HOURS)
    )
    # A mark a pixel is enough, however many alarms came.
    places = {
        (_TOP.get(one.priority, 62), one.priority, round(500 * (one.raised_ms - start) / (end - start)))
        for one in alarms
    }
    marks = "".join(
        f'<rect class="mark is-{escape(priority)}" x="{place / 5:.1f}%" width="4" y="{top}%" height="{100 - top}%"/>'
        for top, priority, place in sorted(places, reverse=True)
    )
    return Markup(  # noqa: S704 - numbers and constants; a priority is escaped
        f'<svg class="strip load-day" aria-hidden="true" width="100%" height="100%">{ground}{hours}{marks}</svg>'
    )


def _lit(lights: tuple[str, str] | None) -> str:
    if lights is None:
        return ""
    on, off = (100 * (int(at[:2]) * 60 + int(at[3:])) / _DAY_MINUTES for at in lights)
    # Lights that cross midnight are lit at both ends of the day.
    spans = [(on, off)] if on < off else [(0.0, off), (on, 100.0)]
    return "".join(f'<rect class="lit" x="{a:.2f}%" width="{b - a:.2f}%" height="100%"/>' for a, b in spans)


def _measure(one: Benchmark) -> Measure:
    if one.acceptable == one.limit:
        allowed = "none" if one.limit == 0 else f"at most {_figure(one.limit, one.unit)}"
    elif one.acceptable == 0:
        allowed = f"none, or fewer than {_figure(one.limit, one.unit)}"
    else:
        allowed = f"well up to {_figure(one.acceptable, one.unit)}, at most {_figure(one.limit, one.unit)}"
    here = _figure(one.value, one.unit)
    return Measure(one.measure, here, allowed, one.verdict, SHAPES[one.verdict], one.note, one.source)


def _figure(value: float, unit: str) -> str:
    text = f"{value:,.0f}" if value == int(value) else f"{value:,.1f}" if value >= 0.1 else f"{value:.2f}"  # noqa: PLR2004 - a tenth
    return f"{text}\N{NO-BREAK SPACE}%" if unit == "%" else text


def _shares(load: Load) -> tuple[tuple[str, str, str], ...]:
    if load.alarms < LEAST_ALARMS:
        return ()
    return tuple(
        (priority, f"{load.priorities.get(priority, 0.0):.0%}", f"about {asked:.0%}")
        for priority, asked in reversed(PRIORITY_SHARES.items())
    )


def _answered(one: Answering) -> str:
    if one.median_s is None or one.slow_s is None:
        return f"none of {one.told} acknowledged"
    left = one.told - one.answered
    rest = f", {left} not yet" if left else ""
    return (
        f"half within {span(one.median_s)}, nine in ten within {span(one.slow_s)}; {one.answered} of {one.told}{rest}"
    )


def _title(condition: str) -> str:
    known = CONDITIONS.get(condition)
    return known.title if known else condition_name(condition)


def _enclosure(key: str, facts: RoomFacts) -> tuple[str, str]:
    """Return an enclosure's name and the address of its page."""
    if not key:
        return "The whole room", ""
    there = facts.by_key.get(key) or facts.retired.get(key)
    return (there.name if there else key), f"/enclosures/{key}"


def _bars(rows: Sequence[tuple[str, str, int]]) -> tuple[Bar, ...]:
    most = max((count for *_, count in rows), default=1)
    return tuple(
        Bar(name, address, count, Markup(f'<rect width="{100 * count / most:.1f}%" height="100%"/>'))  # noqa: S704 - a number
        for name, address, count in rows
    )


def _actors(
    load: Load, told: Sequence[Told], lights: tuple[str, str] | None, facts: RoomFacts, days: int
) -> tuple[ActorView, ...]:
    """Return what was told often; what to do about a condition is said where it first stands."""
    shown: list[ActorView] = []
    for one in load.actors:
        came = [
            alarm
            for alarm in told
            if (alarm.condition, alarm.enclosure) == (one.condition, one.enclosure) and alarm.raised_ms >= load.start_ms
        ]
        view = _actor(one, _times_of_day(came, lights, facts), facts, days)
        said_before = any(earlier.what == view.what for earlier in shown)
        shown.append(replace(view, next_step="") if said_before else view)
    return tuple(shown)


def _times_of_day(came: Sequence[Told], lights: tuple[str, str] | None, facts: RoomFacts) -> Markup:
    """Return a day with a mark at each time of day at which an alarm came, on whichever date."""
    local = [of_ms(alarm.raised_ms).astimezone(facts.zone) for alarm in came]
    places = {(alarm.priority, at.hour * 60 + at.minute) for alarm, at in zip(came, local, strict=True)}
    ground = f'<rect class="{"dark" if lights else "lightless"}" width="100%" height="100%"/>' + _lit(lights)
    marks = "".join(
        f'<rect class="mark is-{escape(priority)}" x="{100 * minute / _DAY_MINUTES:.2f}%" width="4" y="10%" '
        'height="80%"/>'
        for priority, minute in sorted(places)
    )
    return Markup(  # noqa: S704 - numbers and constants; a priority is escaped
        f'<svg class="strip load-day" aria-hidden="true" width="100%" height="100%">{ground}{marks}</svg>'
    )


def _actor(one: Actor, day: Markup, facts: RoomFacts, days: int) -> ActorView:
    known, (where, _address) = CONDITIONS.get(one.condition), _enclosure(one.enclosure, facts)
    said = [f"{one.alarms} time{'' if one.alarms == 1 else 's'}", f"{one.share:.0%} of all"]
    said += [f"half stood for less than {span(one.median_s)}"] if one.median_s is not None else []
    said += [f"chattered {one.bursts} times"] if one.bursts else []
    said += [f"{one.fleeting} fleeting"] if one.fleeting else []
    in_use = one.enclosure in facts.by_key
    trial = f"/alarms/load/trial?enclosure={one.enclosure}&condition={one.condition}&days={min(days, 90)}"
    return ActorView(
        what=_title(one.condition),
        where=where,
        key=one.enclosure,
        said=", ".join(said),
        next_step=known.next_step if known else "",
        trial=trial if in_use and has_trial(one) else "",
        day=day,
    )


def told_at(at_ms: int, facts: RoomFacts, now: datetime) -> tuple[str, str, str]:
    """Return an instant as it is shown, exactly, and for a ``datetime`` attribute."""
    at = of_ms(at_ms)
    return clock(at, facts.zone, now), exact(at, facts.zone), iso(at)
