"""Who is told of alarms, what became of each message, and a message to try a route."""

from typing import Annotated

from fastapi import APIRouter, Path, Query

from service.api.addresses import PREFIX
from service.api.answers import Answer, At
from service.api.problems import documented
from service.api.requests import LARGEST_PAGE, PartsDep
from service.api.sign_in import SignedIn
from service.errors import Refused
from service.model import Contact, Delivery, RouteState
from service.notify.trying import about_route, send_test
from service.store.deliveries import contacts_in_use, recent_deliveries, route_states, steps_in_use

router = APIRouter(prefix=PREFIX, tags=["telling"])


class ContactAnswer(Answer):
    """Who is told; the route itself is a secret and is not shown."""

    name: str
    route: str
    usable: bool
    priority: str
    hours: str | None
    failing_since: At | None
    said: str | None
    last_sent_at: At | None


class StepAnswer(Answer):
    """A step of the escalation: not acknowledged so long after the step before, these are told."""

    step: int
    after_minutes: float
    contacts: list[str]


class ContactsAnswer(Answer):
    """Who is told, and who next."""

    contacts: list[ContactAnswer]
    escalation: list[StepAnswer]


class DeliveryAnswer(Answer):
    """A message, and what became of it."""

    id: int
    contact: str
    kind: str
    state: str
    title: str | None
    made_at: At
    sent_at: At | None
    attempts: int
    said: str | None


class DeliveriesAnswer(Answer):
    """A page of messages."""

    deliveries: list[DeliveryAnswer]
    next: str | None


class TriedAnswer(Answer):
    """A test message that was taken by the other end."""

    contact: str
    route: str


def contact_answer(contact: Contact, state: RouteState | None) -> ContactAnswer:
    """Return a contact without its route's secrets."""
    about, wrong = about_route(contact.route)
    return ContactAnswer(
        name=contact.name,
        route=about,
        usable=wrong is None,
        priority=contact.priority,
        hours=contact.hours,
        failing_since=state.failing_since if state else None,
        said=wrong or (state.said if state else None),
        last_sent_at=state.sent_at if state else None,
    )


def _delivery_answer(delivery: Delivery, contact: Contact) -> DeliveryAnswer:
    return DeliveryAnswer(
        id=delivery.id or 0,
        contact=contact.name,
        kind=delivery.kind,
        state=delivery.state,
        title=delivery.title,
        made_at=delivery.made_at,
        sent_at=delivery.sent_at,
        attempts=delivery.attempts,
        said=delivery.said,
    )


@router.get("/contacts", responses=documented(503))
def list_contacts(parts: PartsDep) -> ContactsAnswer:
    """Return who is told of alarms, and who next when nobody answers."""
    with parts.store.read() as session:
        contacts, states, steps = contacts_in_use(session), route_states(session), steps_in_use(session)
    return ContactsAnswer(
        contacts=[contact_answer(contact, states.get(contact.id or 0)) for contact in contacts],
        escalation=[
            StepAnswer(step=one.step, after_minutes=one.after_minutes, contacts=[str(name) for name in one.contacts])
            for one in steps
        ],
    )


@router.post("/contacts/{name}/test", responses=documented(401, 403, 404, 409, 422, 503))
def post_test(parts: PartsDep, person: SignedIn, name: Annotated[str, Path(max_length=200)]) -> TriedAnswer:
    """Send a contact a test message. 409: it was not taken; `detail` says why."""
    tried = send_test(parts.store, name, person.name, parts.now(), parts.settings.public_url)
    if tried.failed is not None:
        raise Refused(
            f"the test message did not reach {tried.contact}: {tried.failed}; mend the route on the Telling page"
        )
    return TriedAnswer(contact=tried.contact, route=tried.about)


@router.get("/deliveries", responses=documented(422, 503))
def list_deliveries(
    parts: PartsDep,
    alarm: Annotated[
        int | None, Query(ge=1, le=2**53 - 1, description="Only messages that tell of this alarm.")
    ] = None,
    cursor: Annotated[
        str | None, Query(pattern=r"^[1-9][0-9]{0,14}$", description="`next` of the page before.")
    ] = None,
    limit: Annotated[int, Query(ge=1, le=LARGEST_PAGE, description="How many at most.")] = 50,
) -> DeliveriesAnswer:
    """Return messages to contacts, the newest first."""
    before = None if cursor is None else int(cursor)
    with parts.store.read() as session:
        found = recent_deliveries(session, limit + 1, before, alarm)
    page = [_delivery_answer(delivery, contact) for delivery, contact in found[:limit]]
    return DeliveriesAnswer(deliveries=page, next=str(page[-1].id) if len(found) > limit else None)
