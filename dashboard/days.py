"""One day of an enclosure: its strip, every check, its misting, gaps and alarms, and what was in force."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from markupsafe import Markup
from sqlmodel import Session

from dashboard.calendar import PastDays, past_days, verdict_words, window_of
from dashboard.callouts import AlarmView, alarm_view
from dashboard.day_strip import day_strip, spikes_of
from dashboard.facts_in_words import FactView, fact_views
from dashboard.misting_list import MistingList, listed_cycles
from dashboard.verdicts import Shown, of_check, target_words, uncertainty_words, value_words
from dashboard.words import exact, iso, of_ms, span, zone_name
from service.climate.day_cycle import local_day
from service.lookback.bodies import Body
from service.lookback.gaps import Gap, joined
from service.lookback.spans import LookbackSpan
from service.lookback.told_facts import told_facts
from service.lookback.words import channel_words, check_name, long_day_words, weekday_words
from service.model import from_ms
from service.store.assessments import alarms_within
from service.store.engine import Store
from service.store.facts import EnclosureFact, RoomFacts

_ORDER: Final = {"not met": 0, "borderline": 1, "no data": 2, "met": 4, None: 3}
_HOT: Final = frozenset({"hot-spot", "hot-spot-peak", "cool-retreat", "night-ceiling"})


@dataclass(frozen=True, slots=True)
class CheckView:
    """A check of a day, ready to be read.

    Attributes
    ----------
    name : str
    shown : Shown
    value, target, source, uncertainty, coverage, zone, channels, looked_at, sentence : str
        `looked_at` is the span of time that it looks at.
    """

    name: str
    shown: Shown
    value: str
    target: str
    source: str
    uncertainty: str
    coverage: str
    zone: str
    channels: str
    looked_at: str
    sentence: str


@dataclass(frozen=True, slots=True)
class GapView:
    """A time in which a channel said nothing that can be judged."""

    what: str
    clock: str
    at_iso: str
    at_exact: str
    lasted: str
    reason: str


@dataclass(frozen=True, slots=True)
class DayPage:
    """What the page of a day shows.

    Attributes
    ----------
    key, name : str
        Of the enclosure.
    is_retired : bool
        There is no Enclosure page then.
    day, previous, following : date
        None where there is no such day to be seen.
    title, full_title, said : str
        Weekday and date, the date with its year, the verdict in words.
    shown : Shown
    strip : Markup
    light : str
        When the lights were on, and how that is known.
    checks : tuple of CheckView
        What failed first.
    misting : MistingList
    spikes : tuple of str
        Those that no cycle explains.
    gaps, alarms, facts : tuples
    readings : str
    is_hot, is_over : bool
    unknown : str
    """

    key: str
    name: str
    is_retired: bool
    day: date
    previous: date | None
    following: date | None
    title: str
    full_title: str
    said: str
    shown: Shown
    strip: Markup
    light: str
    checks: tuple[CheckView, ...]
    misting: MistingList
    spikes: tuple[str, ...]
    gaps: tuple[GapView, ...]
    alarms: tuple[AlarmView, ...]
    facts: tuple[FactView, ...]
    readings: str
    is_hot: bool
    is_over: bool


def has_day(enclosure: EnclosureFact, facts: RoomFacts, day: date, today: date) -> bool:
    """Say whether a day is one to be seen: it has begun, and a channel has been placed here by its end."""
    if day > today or day.year <= 1970:  # noqa: PLR2004 - times are counted from then
        return False
    end = local_day(day, facts.zone)[1]
    return any(placement.start_ms < end for placement in enclosure.placements)


def day_page(store: Store, facts: RoomFacts, enclosure: EnclosureFact, day: date, now: datetime) -> DayPage:
    """Return the page of a day that `has_day`.

    Parameters
    ----------
    store : Store
    facts, enclosure : RoomFacts, EnclosureFact
        In use or retired.
    day : date
        Local.
    now : datetime
    """
    today = now.astimezone(facts.zone).date()
    past = past_days(store, facts, enclosure, window_of(day, today), now)
    body = past.bodies[day]
    previous, following = day - timedelta(1), day + timedelta(1)
    with store.read() as session:
        strip = day_strip(session, facts, enclosure, body, now)
        spikes = spikes_of(session, facts, enclosure, day, now)
        alarms = _alarms(session, facts, enclosure, day, now)
        told = fact_views(told_facts(session, facts, enclosure, _span_of(day, facts)), facts.zone, day)
    return DayPage(
        key=enclosure.key,
        name=enclosure.name,
        is_retired=enclosure.key not in facts.by_key,
        day=day,
        previous=previous if has_day(enclosure, facts, previous, today) else None,
        following=following if has_day(enclosure, facts, following, today) else None,
        title=weekday_words(day),
        full_title=long_day_words(day),
        said=_said(past, day),
        shown=of_check(past.verdict(day)),
        strip=strip,
        light=_light(body, facts.zone),
        checks=check_views(body["day"]["checks"], facts.zone),
        misting=listed_cycles(body["misting"], facts.zone),
        spikes=spikes,
        gaps=tuple(_gap(gap, facts.zone) for gap in joined(body["gaps"])),
        alarms=alarms,
        facts=told,
        readings=_readings(body),
        is_hot=bool(_HOT.intersection(past.failed(day))) or any(alarm.caution for alarm in alarms),
        is_over=body["day"]["complete"],
    )


def _said(past: PastDays, day: date) -> str:
    words = verdict_words(past, day)
    return f"{words[0].upper()}{words[1:]}."


def _span_of(day: date, facts: RoomFacts) -> LookbackSpan:
    return LookbackSpan(*local_day(day, facts.zone), day, day)


def _alarms(
    session: Session, facts: RoomFacts, enclosure: EnclosureFact, day: date, now: datetime
) -> tuple[AlarmView, ...]:
    start, end = local_day(day, facts.zone)
    rows = alarms_within(session, enclosure.id, from_ms(start), from_ms(end))
    return tuple(alarm_view(alarm, now, facts.zone) for alarm in rows)


def check_views(checks: Sequence[Body], zone: ZoneInfo) -> tuple[CheckView, ...]:
    """Return the checks of a day in words, those that were not met first."""
    return tuple(_check(result, zone) for result in sorted(checks, key=lambda c: _ORDER[c["verdict"]]))


def _check(result: Body, zone: ZoneInfo) -> CheckView:
    start, end = (datetime.fromisoformat(result[edge]).astimezone(zone) for edge in ("from", "to"))
    # A span that ends with its day is said to end at 24:00, as on a plan.
    ends_next_day = (end.hour, end.minute) != (0, 0) and end.date() > start.date()
    until = "24:00" if (end.hour, end.minute) == (0, 0) else f"{end:%H:%M}"
    return CheckView(
        name=check_name(result["check"]),
        shown=of_check(result["verdict"]),
        value=value_words(result),
        target=target_words(result) or "–",
        source=result["target"]["source"],
        uncertainty=uncertainty_words(result),
        coverage="–" if result["coverage"] is None else f"{100 * result['coverage']:.0f}\N{NO-BREAK SPACE}%",
        zone=zone_name(result["zone"]),
        channels=", ".join(result["channels"]),
        looked_at=f"{start:%H:%M} to {until}{' next day' if ends_next_day else ''}",
        sentence=result["sentence"],
    )


def _light(body: Body, zone: ZoneInfo) -> str:
    period = body["day"]["photoperiod"]
    if period["on"] is None:
        return "No lights: the whole day counts as day."
    on, off = (datetime.fromisoformat(period[edge]).astimezone(zone) for edge in ("on", "off"))
    known = {"light": "as measured by light", "lamp power": "as measured by the lamp's power"}
    lasted = span((off - on).total_seconds())
    return f"Lights on from {on:%H:%M} to {off:%H:%M}, {lasted}, {known.get(period['basis'], 'by the schedule')}."


def _gap(gap: Gap, zone: ZoneInfo) -> GapView:
    start = of_ms(gap["from_ms"])
    return GapView(
        what=channel_words(gap["channel"], gap["zone"]),
        clock=f"{start.astimezone(zone):%H:%M}",
        at_iso=iso(start),
        at_exact=exact(start, zone),
        lasted=span((gap["to_ms"] - gap["from_ms"]) / 1000),
        reason=gap["reason"],
    )


def _readings(body: Body) -> str:
    data = body["data"]
    parts = [f"{data['readings']:,} readings"]
    if data["approximate"]:
        parts.append(f"{data['approximate']:,} with approximate times")
    if data["refused"]:
        parts.append(f"{data['refused']:,} beyond what the probe can measure")
    unjudged = " The approximate and the impossible ones judge nothing." if len(parts) > 1 else ""
    return f"{', '.join(parts)}.{unjudged}"
