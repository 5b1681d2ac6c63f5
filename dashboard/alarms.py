"""The Alarms page's content: what stands, the oldest unanswered first; what is held back and until when; the past."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final, Literal

from markupsafe import Markup
from sqlmodel import Session

from dashboard.alarm_line import alarm_line, last_day
from dashboard.callouts import AlarmView, alarm_view
from dashboard.words import clock, exact, iso, span
from service.alarms.lifecycle import State
from service.api.alarm_actions import out_of_service
from service.api.rhythms import Rhythms
from service.api.sentences import condition
from service.model import Alarm, AlarmHold
from service.store.alarm_lists import counts_by_state, open_alarms, past_alarms
from service.store.facts import RoomFacts
from service.store.holds import alarms_under, standing_holds
from service.watch.conditions import CONDITIONS

PAGE: Final = 40
"""Cards on a page."""
PAST_PAGE: Final = 30
"""Rows of the past on a page."""
SHELVES: Final = (
    (30, "30 min"), (60, "1 h"), (240, "4 h"), (720, "12 h"), (1_440, "1 day"), (4_320, "3 days"), (10_080, "7 days"),
)  # fmt: skip
"""For how long an alarm is shelved. [min]"""
_NAMED: Final = 6
_SHAPES: Final = {State.UNACKNOWLEDGED: "act", State.RETURNED_UNACKNOWLEDGED: "steady", State.ACKNOWLEDGED: "drifting"}
_TITLES: Final = {
    State.SHELVED: "Shelved",
    State.SUPPRESSED: "Suppressed by design",
    State.OUT_OF_SERVICE: "Out of service",
}


@dataclass(frozen=True, slots=True)
class Card:
    """One alarm with where it is.

    Attributes
    ----------
    alarm : AlarmView
    key, enclosure : str
        Of its enclosure; empty where it is about none.
    zone : str
    shape : str
        Of its state.
    said : str
        How it stands, in words: ``unacknowledged, stands for 12 min``.
    is_answerable : bool
        Whether it can be acknowledged.
    line : Markup
        When it stood, on the light of the last day; empty for the past.
    """

    alarm: AlarmView
    key: str
    enclosure: str
    zone: str
    shape: str
    said: str
    is_answerable: bool
    line: Markup | Literal[""] = ""


@dataclass(frozen=True, slots=True)
class Held:
    """What is held back, by whom, why, until when.

    Attributes
    ----------
    id : int
    title, about, key, until, until_iso, until_exact, by, note, since : str
    count : int
        Alarms that it holds back now.
    names : tuple of str
        The first of them.
    can_end : bool
        Whether a person may end it; what logic suppresses, logic ends.
    """

    id: int
    title: str
    about: str
    key: str
    until: str
    until_iso: str
    until_exact: str
    by: str
    note: str
    since: str
    count: int
    names: tuple[str, ...]
    can_end: bool


@dataclass(frozen=True, slots=True)
class AlarmsView:
    """What the Alarms page shows.

    Attributes
    ----------
    counts : str
        ``2 unacknowledged · 1 acknowledged · 3 held back``.
    cards : tuple of Card
    page, pages : int
        From 1.
    held : tuple of Held
    past : tuple of Alarm
        Over, the newest first.
    older : int or None
        Where the past goes on.
    """

    counts: str
    cards: tuple[Card, ...]
    page: int
    pages: int
    held: tuple[Held, ...]
    past: tuple[Alarm, ...]
    older: int | None


@dataclass(frozen=True, slots=True)
class Rest:
    """Whether an enclosure is out of service; `until` is what the form proposes, in the site's time."""

    held: Held | None
    until: str


def rest_view(session: Session, facts: RoomFacts, enclosure_id: int, now: datetime) -> Rest:
    """Return whether an enclosure is out of service, and until when it could be: an hour, to a quarter."""
    hold = out_of_service(session, enclosure_id)
    local = (now + timedelta(hours=1, minutes=14)).astimezone(facts.zone)
    until = local.replace(minute=local.minute - local.minute % 15)
    return Rest(held_view(session, hold, facts, now) if hold else None, f"{until:%Y-%m-%dT%H:%M}")


def alarms_view(
    session: Session, facts: RoomFacts, rhythms: Rhythms, now: datetime, page: int, before: int | None
) -> AlarmsView:
    """Return the alarms as they stand at `now`.

    Parameters
    ----------
    session, facts, rhythms, now
        Of `Store.read`; of `service.api.parts.Parts`; aware.
    page : int
        Of what is open, from 1; beyond the last is the last.
    before : int or None
        The past from there back.
    """
    counted = counts_by_state(session)
    total = sum(counted.get(state, 0) for state in _SHAPES)
    pages = max(1, -(-total // PAGE))
    page = min(page, pages)
    past = past_alarms(session, before, PAST_PAGE + 1)
    return AlarmsView(
        counts=_counts(counted),
        cards=tuple(
            _with_line(session, facts, rhythms, alarm, now) for alarm in open_alarms(session, (page - 1) * PAGE, PAGE)
        ),
        page=page,
        pages=pages,
        held=tuple(held_view(session, hold, facts, now) for hold in _by_end(standing_holds(session))),
        past=tuple(past[:PAST_PAGE]),
        older=past[PAST_PAGE - 1].id if len(past) > PAST_PAGE else None,
    )


def card(alarm: Alarm, facts: RoomFacts, now: datetime) -> Card:
    """Return an alarm with where it is."""
    view, state = alarm_view(alarm, now, facts.zone), State(alarm.state)
    enclosure = facts.enclosures.get(alarm.enclosure_id) if alarm.enclosure_id is not None else None
    if alarm.returned_at is None:
        said = f"{view.answer} · stands for {view.lasted}"
    else:
        said = f"{view.answer} · returned to normal {view.returned} after {view.lasted}"
    return Card(
        alarm=view,
        key=enclosure.key if enclosure else "",
        enclosure=enclosure.name if enclosure else "Room",
        zone=view.where,
        shape=_SHAPES.get(state, "resting"),
        said=said,
        is_answerable=state in {State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED},
    )


def _with_line(session: Session, facts: RoomFacts, rhythms: Rhythms, alarm: Alarm, now: datetime) -> Card:
    """Return an alarm's card with its line."""
    shown = card(alarm, facts, now)
    enclosure = facts.enclosures.get(alarm.enclosure_id) if alarm.enclosure_id is not None else None
    periods = rhythms.photoperiods(session, facts, enclosure, now) if enclosure else []
    said = f"Over the last 24 hours: began {shown.alarm.since}"
    ended = f", returned {shown.alarm.returned}" if shown.alarm.returned else ", stands"
    return replace(shown, line=alarm_line(alarm, periods, last_day(now, facts.zone), said + ended))


def held_view(session: Session, hold: AlarmHold, facts: RoomFacts, now: datetime) -> Held:
    """Return what a hold is about, in words."""
    alarms = alarms_under(session, hold, [hold.kind])
    enclosure = _enclosure_of(hold, alarms, facts)
    named = [_in_words(alarm, facts) for alarm in alarms[:_NAMED]]
    return Held(
        id=hold.id or 0,
        title=_TITLES.get(State(hold.kind), hold.kind.capitalize()),
        about=_about(hold, alarms, facts),
        key=enclosure,
        until=clock(hold.until_at, facts.zone, now) if hold.until_at else "",
        until_iso=iso(hold.until_at) if hold.until_at else "",
        until_exact=exact(hold.until_at, facts.zone) if hold.until_at else "",
        by=hold.by,
        note=hold.note or "",
        since=f"{clock(hold.from_at, facts.zone, now)}, {span((now - hold.from_at).total_seconds())} ago",
        count=len(alarms),
        names=tuple(named),
        can_end=hold.kind in {State.SHELVED, State.OUT_OF_SERVICE},
    )


def _by_end(holds: Sequence[AlarmHold]) -> list[AlarmHold]:
    """Order holds: what ends next first, what has no end last."""
    return sorted(holds, key=lambda hold: (hold.until_at is None, hold.until_at or hold.from_at))


def _enclosure_of(hold: AlarmHold, alarms: Sequence[Alarm], facts: RoomFacts) -> str:
    if hold.room_id is not None:
        return ""
    ids = {hold.enclosure_id} if hold.enclosure_id is not None else {alarm.enclosure_id for alarm in alarms}
    enclosure = facts.enclosures.get(ids.pop() or 0) if len(ids) == 1 else None
    return enclosure.key if enclosure else ""


def _about(hold: AlarmHold, alarms: Sequence[Alarm], facts: RoomFacts) -> str:
    """Say what is held back: an enclosure, or a condition at a place."""
    if hold.enclosure_id is not None:
        enclosure = facts.enclosures.get(hold.enclosure_id)
        return enclosure.name if enclosure else "an enclosure that is gone"
    known = CONDITIONS.get(hold.condition or "")
    what = known.title if known else (hold.condition or "every alarm").replace("-", " ")
    if hold.room_id is not None:
        return f"{what}, in the whole room"
    where = _in_words(alarms[0], facts).removeprefix(what) if alarms else f", {hold.place or 'everywhere'}"
    return f"{what}{where}"


def _in_words(alarm: Alarm, facts: RoomFacts) -> str:
    known = CONDITIONS.get(alarm.condition)
    enclosure = facts.enclosures.get(alarm.enclosure_id) if alarm.enclosure_id is not None else None
    return f"{known.title if known else condition(alarm)}, {enclosure.name if enclosure else alarm.place}"


def _counts(counted: dict[str, int]) -> str:
    words = {State.UNACKNOWLEDGED: "unacknowledged", State.ACKNOWLEDGED: "acknowledged"}
    returned = {State.RETURNED_UNACKNOWLEDGED: "returned, unacknowledged"}
    said = [f"{counted[state]:,} {word}" for state, word in (words | returned).items() if counted.get(state)]
    held = sum(counted.get(state, 0) for state in _TITLES)
    return " · ".join([*(said or ["Nothing stands"]), *([f"{held:,} held back"] if held else [])])
