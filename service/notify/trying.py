"""A test message: sent at once, past the outbox, so that who asks for it sees what came of it."""

import threading
import time
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlmodel import Session, select

from service.errors import NotFound, RouteInvalid
from service.model import Contact, Delivery, Site
from service.notify.audience import PRIORITIES
from service.notify.courier import Courier
from service.notify.messages import Message
from service.notify.routes.route import route_of
from service.store.deliveries import GIVEN_UP, SENT, contacts_in_use, note_route
from service.store.engine import Store

SECONDS: Final = 20.0
"""So long a test may take. [s]"""
_HANGS: Final = "it still hangs after {seconds:g} s"


@dataclass(frozen=True, slots=True)
class Tried:
    """What came of a test message.

    Attributes
    ----------
    contact, about : str
        Who, and by what kind of route, without its secrets.
    failed : str or None
        Why it did not go; None when the other end took it.
    """

    contact: str
    about: str
    failed: str | None


def about_route(url: str) -> tuple[str, str | None]:
    """Return what kind of route a URL is, without its secrets, and why it cannot be used, None when it can."""
    try:
        return route_of(url).about, None
    except RouteInvalid as exc:
        return "no route that can be used", str(exc)


def contact_named(session: Session, name: str) -> Contact:
    """Return the contact that has that name.

    Raises
    ------
    NotFound
        There is none; the text names those that there are.
    """
    contacts = contacts_in_use(session)
    found = next((contact for contact in contacts if contact.name == name), None)
    if found is None:
        known = ", ".join(contact.name for contact in contacts) or "none: add one on the Telling page"
        raise NotFound(f"there is no contact {name[:60]!r}; there are {known}")
    return found


def send_test(store: Store, name: str, by: str, now: datetime, base: str, seconds: float = SECONDS) -> Tried:
    """Send a contact a test message and say what came of it; it stands among the deliveries.

    Raises
    ------
    NotFound
        There is no such contact.
    """
    with store.read() as session:
        contact = contact_named(session, name)
        site = session.exec(select(Site.name)).first() or "Wardian"
    message = _message(contact, site, by, base, f"{now:%Y%m%d%H%M%S}")
    failed = _attempt(contact, message, seconds)
    with store.write() as session:
        session.add(
            Delivery(
                contact_id=contact.id or 0, kind="test", state=GIVEN_UP if failed else SENT, made_at=now, due_at=now,
                touched_at=now, attempts=1, said=failed, sent_at=None if failed else now, title=message.title,
                body=message.body,
            )
        )  # fmt: skip
        note_route(session, contact.id or 0, now, failed)
    return Tried(contact.name, about_route(contact.route)[0], failed)


def _message(contact: Contact, site: str, by: str, base: str, number: str) -> Message:
    above = PRIORITIES[PRIORITIES.index(contact.priority) :]
    hours = f", {contact.hours}; high ones at any hour" if contact.hours else ""
    said = (
        f"A test of what tells {contact.name} of alarms ({' and '.join(above)}{hours}), sent by {by}. "
        "Nothing is wrong. Wardian is no safety device: a heat source needs its own thermostat and cut-out."
    )
    body = f"{said}\n{base}/alarms" if base else said
    return Message(f"Test: {site}", body, "low", link=f"{base}/alarms" if base else "", key=f"wardian-test-{number}")


def _attempt(contact: Contact, message: Message, seconds: float) -> str | None:
    finished = threading.Event()
    courier = Courier(seconds, finished)
    courier.send(0, contact.id or 0, contact.route, message)
    ends = time.monotonic() + seconds + 1
    while not finished.is_set() and time.monotonic() < ends:
        finished.wait(0.2)
    (attempt,) = courier.running
    if not attempt.is_done:
        return _HANGS.format(seconds=seconds)
    return None if attempt.failed is None else str(attempt.failed)
