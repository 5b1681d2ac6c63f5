"""What `wardian doctor` finds of the telling: routes that can be used, what got through last, what waits for long."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Final

from sqlmodel import Session

from service.doctor_reach import Finding, note, well, wrong
from service.model import Contact, RouteState
from service.notify.trying import about_route
from service.store.deliveries import WAITING, contacts_in_use, message_counts, route_states, steps_in_use

_STUCK: Final = timedelta(minutes=10)
_UNTRIED: Final = timedelta(days=180)
"""Common practice asks for a test of alarms twice a year."""


def telling_findings(session: Session, public_url: str, now: datetime) -> Iterator[Finding]:
    """Yield how each contact's route is, whether messages wait for long, and whether they carry a link."""
    contacts, states = contacts_in_use(session), route_states(session)
    if not contacts:
        yield note("telling", "nobody is told of alarms: add a contact on the Telling page")
        return
    for contact in contacts:
        yield _route_finding(contact, states.get(contact.id or 0), now)
    yield from _step_findings(session, {contact.name for contact in contacts})
    outbox = message_counts(session)
    if outbox.oldest_waiting is not None and now - outbox.oldest_waiting > _STUCK:
        waiting, minutes = outbox.by_state.get(WAITING, 0), (now - outbox.oldest_waiting).total_seconds() / 60
        said = (
            f"{waiting} messages wait, the oldest for {minutes:.0f} min: for quiet hours to end, a route to work again"
        )
        yield note("telling", f"{said}, or for Wardian to run")
    if not public_url:
        yield note("telling", "messages carry no link to the alarm: set WARDIAN_PUBLIC_URL to the pages' address")


def _route_finding(contact: Contact, state: RouteState | None, now: datetime) -> Finding:
    about, unusable = about_route(contact.route)
    if unusable is not None:
        return wrong("telling", f"contact {contact.name}: {unusable}; mend the route on the Telling page")
    if state is not None and state.failing_since is not None:
        since = f"{state.failing_since:%Y-%m-%d %H:%M} UTC"
        return wrong(
            "telling",
            f"contact {contact.name} cannot be told since {since}: {state.said}; mend the route on the Telling page",
        )
    if state is None or state.sent_at is None or now - state.sent_at > _UNTRIED:
        last = f"since {state.sent_at:%Y-%m-%d}" if state and state.sent_at else "yet"
        return note(
            "telling",
            f"contact {contact.name} ({about}) was sent nothing {last}: try `wardian contact test {contact.name}`",
        )
    return well("telling", f"contact {contact.name} ({about}) was last told {state.sent_at:%Y-%m-%d %H:%M} UTC")


def _step_findings(session: Session, names: set[str]) -> Iterator[Finding]:
    steps = steps_in_use(session)
    if not steps:
        yield note("telling", "nobody is told next when nobody answers: add a step on the Telling page")
    for step in steps:
        gone = [str(name) for name in step.contacts if name not in names]
        if gone:
            yield wrong("telling", f"step {step.step} of the escalation names {gone[0]}, who is no contact any more")
