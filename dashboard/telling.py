"""Who is told of alarms, as the pages show it: contacts, hours, who is next, and what became of the last messages."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from markupsafe import Markup, escape
from sqlmodel import Session

from dashboard.words import clock, exact, iso, span
from service.model import Contact, Delivery, RouteState
from service.notify.audience import PRIORITIES, is_awake
from service.notify.trying import about_route
from service.store.deliveries import contacts_in_use, recent_deliveries, route_states, steps_in_use
from service.store.facts import RoomFacts

LAST: Final = 30
"""Messages that are shown."""
_DAY_MIN: Final = 1_440
_SHAPES: Final = {"sent": "steady", "waiting": "drifting", "given up": "act", "withdrawn": "resting"}
_WORDS: Final = {"sent": "sent", "waiting": "waiting", "given up": "given up", "withdrawn": "not needed any more"}


@dataclass(frozen=True, slots=True)
class ContactView:
    """Someone who is told.

    Attributes
    ----------
    name, route, hears, hours : str
        `route` is its kind, without secrets; `hears` from which priority on.
    shape, said : str
        How the route is, in a shape and in words.
    is_well : bool
    day : Markup
        The hours in which messages go out, as a day strip.
    """

    name: str
    route: str
    hears: str
    hours: str
    shape: str
    said: str
    is_well: bool
    day: Markup


@dataclass(frozen=True, slots=True)
class Rung:
    """Who is told at one time: at once, or so long after the rung before when nobody has answered.

    Attributes
    ----------
    title : str
    contacts : tuple of ContactView
        Those who stand here first.
    again : str
        Names of those who stand on an earlier rung too.
    """

    title: str
    contacts: tuple[ContactView, ...]
    again: str


@dataclass(frozen=True, slots=True)
class MessageView:
    """A message and what became of it."""

    title: str
    contact: str
    shape: str
    state: str
    at: str
    at_iso: str
    at_exact: str
    said: str


@dataclass(frozen=True, slots=True)
class Cover:
    """The day of an alarm of one priority: the hours in which somebody hears of it at once."""

    priority: str
    said: str
    day: Markup


@dataclass(frozen=True, slots=True)
class TellingView:
    """What the page shows; `covers` from the highest priority on."""

    contacts: int
    covers: tuple[Cover, ...]
    rungs: tuple[Rung, ...]
    messages: tuple[MessageView, ...]
    has_link: bool


def telling_view(session: Session, facts: RoomFacts, now: datetime, *, has_link: bool) -> TellingView:
    """Return who is told, who next, and what became of the last messages; `has_link`: messages carry a link."""
    contacts, states = contacts_in_use(session), route_states(session)
    views = {one.name: _contact(one, states.get(one.id or 0), facts.zone, now) for one in contacts}
    steps = [
        (f"{one.after_minutes:g} min later", [str(name) for name in one.contacts]) for one in steps_in_use(session)
    ]
    return TellingView(
        contacts=len(contacts),
        covers=tuple(cover_of(priority, contacts, now, facts.zone) for priority in reversed(PRIORITIES)),
        rungs=_rungs(views, steps),
        messages=messages_of(recent_deliveries(session, LAST), facts.zone, now),
        has_link=has_link,
    )


def _rungs(views: Mapping[str, ContactView], steps: Sequence[tuple[str, list[str]]]) -> tuple[Rung, ...]:
    named = {name for _after, names in steps for name in names}
    at_once = [name for name in views if name not in named]
    if not at_once and steps:
        # An alarm is told at once, always: the first step does not wait then.
        at_once = steps[0][1]
    seen: set[str] = set()
    rungs = []
    for title, names in [("At once", at_once), *steps]:
        here = [name for name in names if name in views]
        first = [name for name in here if name not in seen]
        again = [name for name in here if name in seen]
        seen.update(first)
        rungs.append(Rung(title, tuple(views[name] for name in first), _and(again)))
    return tuple(rungs)


def messages_of(found: Sequence[tuple[Delivery, Contact]], zone: ZoneInfo, now: datetime) -> tuple[MessageView, ...]:
    """Return messages in words."""
    return tuple(_message(delivery, contact, zone, now) for delivery, contact in found)


def _contact(contact: Contact, state: RouteState | None, zone: ZoneInfo, now: datetime) -> ContactView:
    about, wrong = about_route(contact.route)
    failing = wrong or (state.said if state and state.failing_since else None)
    if failing:
        since = f" since {clock(state.failing_since, zone, now)}" if state and state.failing_since else ""
        shape, said = "act", f"does not get through{since}: {failing}"
    elif state is not None and state.sent_at is not None:
        shape, said = "steady", f"last message got through {clock(state.sent_at, zone, now)}"
    else:
        shape, said = "resting", "not tried yet: send a test message"
    above = PRIORITIES[PRIORITIES.index(contact.priority) :]
    hears = "every alarm" if len(above) == len(PRIORITIES) else f"{_and([*above])} alarms"
    hours = (
        f"{contact.hours}{'' if is_awake(contact.hours, now, zone) else ', quiet now'}" if contact.hours else "always"
    )
    return ContactView(
        contact.name, about, hears, hours, shape, said, not failing, _day(contact.hours, hours, now, zone)
    )


def cover_of(priority: str, contacts: Sequence[Contact], now: datetime, zone: ZoneInfo) -> Cover:
    """Return the hours in which an alarm of a priority reaches somebody at once; a high one never waits for hours."""
    hearing = [one for one in contacts if PRIORITIES.index(one.priority) <= PRIORITIES.index(priority)]
    spans = [span for one in hearing for span in _spans(None if priority == PRIORITIES[-1] else one.hours)]
    lit = sum(any(begin <= minute < end for begin, end in spans) for minute in range(_DAY_MIN))
    if not hearing:
        said = "nobody is told"
    elif lit == _DAY_MIN:
        said = f"{_and([one.name for one in hearing])}, at any hour"
    else:
        said = f"{_and([one.name for one in hearing])}; where it is hatched, it waits for their hours"
    return Cover(priority, said, _drawn(spans, "gap", f"{priority} alarms: {said}", now, zone))


def _spans(awake: str | None) -> list[tuple[int, int]]:
    """Return the hours in which messages go out, as minutes of the day."""
    begin, end = (_minute(text) for text in (awake or "00:00-24:00").split("-"))
    return [(begin, end)] if begin < end else [(0, end), (begin, _DAY_MIN)]


def _day(awake: str | None, said: str, now: datetime, zone: ZoneInfo) -> Markup:
    """Return a day in which the hours that messages go out are lit, and the present marked."""
    return _drawn(_spans(awake), "dark", f"Told: {said}", now, zone)


def _drawn(spans: Sequence[tuple[int, int]], ground: str, said: str, now: datetime, zone: ZoneInfo) -> Markup:
    lit = "".join(
        f'<rect class="lit" x="{100 * start / _DAY_MIN:.2f}%" width="{100 * (stop - start) / _DAY_MIN:.2f}%" '
        'height="100%"/>'
        for start, stop in spans
    )
    hours = "".join(f'<text class="hour" x="{100 * h / 24:.2f}%" y="90%">{h:02d}</text>' for h in (6, 12, 18))
    local = now.astimezone(zone)
    present = 100 * (60 * local.hour + local.minute) / _DAY_MIN
    return Markup(  # noqa: S704 - numbers and constants; the words are escaped
        f'<svg class="strip told-day" role="img" aria-label="{escape(said)}" width="100%" height="100%">'
        f'<rect class="{ground}" width="100%" height="100%"/>{lit}{hours}'
        f'<rect class="now" x="{present:.2f}%" width="2" height="100%"/></svg>'
    )


def _minute(text: str) -> int:
    return 60 * int(text[:2]) + int(text[3:])


def _message(delivery: Delivery, contact: Contact, zone: ZoneInfo, now: datetime) -> MessageView:
    at = delivery.sent_at or delivery.made_at
    said = delivery.said or ""
    if delivery.state == "waiting":
        wait = max(0.0, (delivery.due_at - now).total_seconds())
        next_try = f"next try in {span(wait)}" if delivery.attempts else f"goes in {span(wait)}"
        said = f"{said}; {next_try}" if said else next_try
    elif delivery.state == "sent" and delivery.attempts > 1:
        said = f"after {delivery.attempts} tries"
    return MessageView(
        title=delivery.title or "Not put into words yet",
        contact=contact.name,
        shape=_SHAPES.get(delivery.state, "resting"),
        state=_WORDS.get(delivery.state, delivery.state),
        at=clock(at, zone, now),
        at_iso=iso(at),
        at_exact=exact(at, zone),
        said=said,
    )


def _and(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)
