"""The page of who is told, with a message to try a route; and the page of one alarm, for a thumb."""

from typing import Final

from fastapi import APIRouter, Response
from fastapi.responses import HTMLResponse

from dashboard.alarms import SHELVES, card
from dashboard.pages.alarms import AlarmId
from dashboard.pages.forms import Form
from dashboard.pages.site import Pages
from dashboard.telling import messages_of, telling_view
from dashboard.words import clock
from service.api.sign_in import SignedIn
from service.errors import NotFound
from service.notify.trying import send_test
from service.store.alarms import get_alarm, transitions_of
from service.store.deliveries import recent_deliveries

_MOST: Final = 20
"""Messages that are shown of one alarm."""


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

    @router.get("/alarms/{alarm_id}")
    def _alarm(alarm_id: AlarmId) -> HTMLResponse:
        return alarm_page(pages, alarm_id)

    return router


def telling_page(pages: Pages, said: str = "", wrong: str = "", status: int = 200) -> HTMLResponse:
    """Return the page of who is told; `said` and `wrong` say what came of a test message."""
    parts = pages.parts
    with parts.store.read() as session:
        facts, now = parts.facts(session), parts.now()
        view = telling_view(session, facts, now, has_link=bool(parts.settings.public_url))
    return pages.html("telling.html", facts, now, status, telling=view, said=said, wrong=wrong)


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
