"""Who is told of alarms, as the pages show it: contacts, hours, who is next, and what became of the last messages."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from sqlmodel import Session

from dashboard.words import clock, exact, iso, span
from service.model import Contact, Delivery, RouteState
from service.notify.audience import PRIORITIES, is_awake
from service.notify.trying import about_route
from service.store.deliveries import contacts_in_use, recent_deliveries, route_states, steps_in_use
from service.store.facts import RoomFacts

LAST: Final = 30
"""Messages that are shown."""
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
    """

    name: str
    route: str
    hears: str
    hours: str
    shape: str
    said: str
    is_well: bool


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
class TellingView:
    """What the page shows."""

    contacts: int
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
    return ContactView(contact.name, about, hears, hours, shape, said, is_well=not failing)


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
