"""The page of who is told, where owners change that and keepers try a route; and the page of one alarm, for a thumb."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from fastapi import APIRouter, Response
from fastapi.responses import HTMLResponse

from dashboard.alarms import SHELVES, card
from dashboard.contacts import (
    LONGEST_NAME,
    LONGEST_ROUTE,
    ContactFields,
    StepFields,
    add_contact,
    change_contact,
    change_in_words,
    contact_fields,
    contact_of,
    end_contact,
    put_steps,
    sent_contact,
    sent_steps,
    step_fields,
    steps_of,
    tidy,
)
from dashboard.pages.alarms import AlarmId
from dashboard.pages.forms import Form, LongForm, go_to
from dashboard.pages.site import Pages
from dashboard.telling import messages_of, telling_view
from dashboard.words import clock
from service.api.sign_in import SignedIn
from service.errors import BadUse, NotFound
from service.notify.trying import send_test
from service.roomfile.editing import Document, edit_room
from service.store.alarms import get_alarm, transitions_of
from service.store.deliveries import contacts_in_use, recent_deliveries, steps_in_use
from service.store.people import changes_of_telling

_MOST: Final = 20
"""Messages that are shown of one alarm, and changes of who is told."""


@dataclass(frozen=True, slots=True)
class Sent:
    """What an owner sent that could not be: it is shown again, but for the route."""

    new: ContactFields | None = None
    changed: ContactFields | None = None
    steps: tuple[StepFields, ...] | None = None


def telling_router(pages: Pages) -> APIRouter:
    """Return the routes of the pages. Registered last: `/alarms/…` of others come first."""
    router = APIRouter(include_in_schema=False)

    @router.get("/telling")
    def _page() -> HTMLResponse:
        return telling_page(pages)

    @router.post("/telling/test")
    def _test(person: SignedIn, form: Form) -> Response:
        parts = pages.parts
        try:
            tried = send_test(parts.store, form.get("name", ""), person.name, parts.now(), parts.settings.public_url)
        except NotFound as exc:
            return telling_page(pages, wrong=f"Nothing was sent: {exc}.", status=404)
        if tried.failed is not None:
            return telling_page(pages, wrong=f"The test message did not reach {tried.contact}: {tried.failed}.")
        return telling_page(
            pages, said=f"{tried.contact} was sent a test message ({tried.about}): see whether it came."
        )

    _add_changes(router, pages)

    @router.get("/alarms/{alarm_id}")
    def _alarm(alarm_id: AlarmId) -> HTMLResponse:
        return alarm_page(pages, alarm_id)

    return router


def _add_changes(router: APIRouter, pages: Pages) -> None:
    @router.post("/telling/contacts")
    def _add(person: SignedIn, form: Form) -> Response:
        def read() -> _Change:
            contact = contact_of(form)
            return lambda document: add_contact(document, tidy(form.get("name", "")), contact)

        return _change(pages, person.name, read, Sent(new=sent_contact(form)))

    @router.post("/telling/contacts/change")
    def _other(person: SignedIn, form: Form) -> Response:
        def read() -> _Change:
            contact = contact_of(form)
            return lambda document: change_contact(document, form.get("name", ""), contact)

        return _change(pages, person.name, read, Sent(changed=sent_contact(form)))

    @router.post("/telling/contacts/end")
    def _end(person: SignedIn, form: Form) -> Response:
        name = form.get("name", "")

        def read() -> _Change:
            if tidy(form.get("confirm", "")) != tidy(name):
                raise BadUse(f"to tell {name[:LONGEST_NAME]} no more, write the name beside it")
            return lambda document: end_contact(document, name)

        return _change(pages, person.name, read, Sent())

    @router.post("/telling/steps")
    def _steps(person: SignedIn, form: LongForm) -> Response:
        def read() -> _Change:
            steps = steps_of(form)
            return lambda document: put_steps(document, steps)

        return _change(pages, person.name, read, Sent(steps=sent_steps(form)))


_Change = Callable[[Document], None]


def _change(pages: Pages, by: str, read: Callable[[], _Change], sent: Sent) -> Response:
    """Change who is told and go on, or say why it was not changed.

    What was sent is read first: what looks at a route takes long to load, and the store is not held up meanwhile.
    """
    parts = pages.parts
    try:
        edit_room(parts.store, read(), by, parts.now())
    except BadUse as exc:
        return telling_page(pages, wrong=f"Nothing was changed: {exc}.", status=422, sent=sent)
    parts.wake.notify()
    return go_to("/telling")


def telling_page(
    pages: Pages, said: str = "", wrong: str = "", status: int = 200, sent: Sent | None = None
) -> HTMLResponse:
    """Return the page of who is told; `said` and `wrong` say what came of a test message or a change."""
    parts, sent = pages.parts, sent or Sent()
    with parts.store.read() as session:
        facts, now = parts.facts(session), parts.now()
        view = telling_view(session, facts, now, has_link=bool(parts.settings.public_url))
        changes = [(clock(one.at, facts.zone, now), change_in_words(one)) for one in changes_of_telling(session, _MOST)]
        people = {one.name: contact_fields(one) for one in contacts_in_use(session)}
        edit: Mapping[str, Any] = {
            "people": people | ({sent.changed.name: sent.changed} if sent.changed else {}),
            "names": list(people), "opened": sent.changed.name if sent.changed else "",
            "new": sent.new or ContactFields(), "steps": sent.steps or step_fields(steps_in_use(session)),
            "longest_name": LONGEST_NAME, "longest_route": LONGEST_ROUTE, "timezone": facts.timezone,
        }  # fmt: skip
    return pages.html(
        "telling.html", facts, now, status, telling=view, said=said, wrong=wrong, edit=edit, changes=changes
    )


def alarm_page(pages: Pages, alarm_id: int) -> HTMLResponse:
    """Return the page of one alarm."""
    parts = pages.parts
    with parts.store.read() as session:
        facts, now = parts.facts(session), parts.now()
        alarm = get_alarm(session, alarm_id)
        shown = card(alarm, facts, now)
        told = messages_of(recent_deliveries(session, _MOST, alarm_id=alarm_id), facts.zone, now)
        steps = [
            (clock(one.at, facts.zone, now), one.after, one.by, one.note or "")
            for one in transitions_of(session, alarm_id)
        ]
    return pages.html("alarm.html", facts, now, card=shown, shelves=SHELVES, told=told, steps=steps)
