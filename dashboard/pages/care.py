"""The Care page, and what its forms do."""

import re
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Annotated, Final

from fastapi import APIRouter, Path, Response
from fastapi.responses import HTMLResponse
from sqlmodel import Session

from dashboard.care import FEW, KINDS, USUAL_TASKS, care_view
from dashboard.number_fields import number_written
from dashboard.pages.forms import Form, go_to, local_path
from dashboard.pages.site import Pages
from dashboard.since import since_in
from service.api.care_due import change_task, correct, install, take_away
from service.api.requests import enclosure_named
from service.api.sign_in import SignedIn
from service.errors import BadUse, NotFound, Refused
from service.model import ZONES
from service.store.care import NewDone, add_done, add_task, close_task, retire_task
from service.store.facts import RoomFacts
from service.watch.conditions import HEAT_CAUTION, MAINS_CAUTION

_NUMBER: Final = re.compile(r"\d{1,6}(?:[.,]\d{1,4})?", re.ASCII)
_A_DATE: Final = len("2026-03-10")
TaskNumber = Annotated[int, Path(ge=1, le=2**31 - 1)]
Change = Callable[[Session, RoomFacts, datetime], object]


def care_router(pages: Pages) -> APIRouter:
    """Return the routes of the page."""
    router = APIRouter(include_in_schema=False)
    desk = _Desk(pages)

    @router.get("/care")
    def _page() -> HTMLResponse:
        return desk.page()

    @router.post("/care/tasks")
    def _add(person: SignedIn, form: Form) -> Response:
        def add(session: Session, facts: RoomFacts, now: datetime) -> None:
            first = since_in(form, "first", "first due", now, facts.zone) or now
            add_task(session, form.get("what", ""), _days(form), _place(facts, form), first, person.name, now)

        return desk.do(form, add)

    @router.post("/care/tasks/{number}/change")
    def _change(number: TaskNumber, person: SignedIn, form: Form) -> Response:
        def change(facts: RoomFacts, now: datetime) -> None:
            first = since_in(form, "first", "first due", now, facts.zone)
            change_task(pages.parts, number, _days(form), first, person.name)

        return desk.change(form, change)

    @router.post("/care/tasks/{number}/done")
    def _done(number: TaskNumber, person: SignedIn, form: Form) -> Response:
        note = " ".join(form.get("note", "").split()) or None
        key = form.get("sent_key") or None
        return desk.do(form, lambda s, _, now: close_task(s, number, person.name, now, note, key))

    @router.post("/care/tasks/{number}/retire")
    def _retire(number: TaskNumber, person: SignedIn, form: Form) -> Response:
        return desk.do(form, lambda s, _, now: retire_task(s, number, person.name, now))

    _add_equipment(router, pages, desk)
    return router


def _add_equipment(router: APIRouter, pages: Pages, desk: "_Desk") -> None:
    @router.post("/care/uv")
    def _uv(person: SignedIn, form: Form) -> Response:
        return desk.do(form, lambda s, facts, now: _note_uv(s, facts, now, form, person.name))

    @router.post("/care/equipment")
    def _equipment(person: SignedIn, form: Form) -> Response:
        return desk.change(form, lambda facts, now: _install(pages, facts, now, form, person.name))

    @router.post("/care/equipment/take-away")
    def _take_away(person: SignedIn, form: Form) -> Response:
        enclosure, kind = form.get("enclosure", ""), form.get("kind", "")
        return desk.change(form, lambda *_: take_away(pages.parts, enclosure, kind, person.name))


class _Desk:
    """Shows the page, and lets its forms change something."""

    def __init__(self, pages: Pages) -> None:
        self._pages, self._parts = pages, pages.parts

    def page(self, said: str = "", status: int = 200) -> HTMLResponse:
        """Return the page; `said` says why a change was not made."""
        with self._parts.store.read() as session:
            facts, now = self._parts.facts(session), self._parts.now()
            view = care_view(session, facts, now)
        places = [(one.key, one.name) for one in facts.enclosures.values()]
        cautions = {"heat": HEAT_CAUTION, "mains": MAINS_CAUTION}
        offered = {"kinds": KINDS, "usual": USUAL_TASKS, "zones": ZONES, "places": places, "few": FEW}
        return self._pages.html("care.html", facts, now, status, view=view, said=said, **offered, **cautions)

    def do(self, form: dict[str, str], change: Change) -> Response:
        """Make a change in one transaction and go back, or say why it was not made."""

        def within(*_: object) -> None:
            with self._parts.store.write() as session:
                change(session, self._parts.facts(session), self._parts.now())

        return self.change(form, within)

    def change(self, form: dict[str, str], change: Callable[[RoomFacts, datetime], object]) -> Response:
        """Make a change that has a transaction of its own."""
        with self._parts.store.read() as session:
            facts = self._parts.facts(session)
        try:
            change(facts, self._parts.now())
        except NotFound:
            raise
        except BadUse as exc:
            return self.page(f"Nothing was changed: {exc}.", 409 if isinstance(exc, Refused) else 422)
        return go_to(local_path(form.get("back"), "/care"))


def number_in(form: dict[str, str], name: str, what: str) -> float | None:
    """Return a number that is not negative, None where the field is empty. Raises BadUse."""
    text = form.get(name, "").strip()
    return number_written(text, _NUMBER, what) if text else None


def _days(form: dict[str, str]) -> float:
    return number_in(form, "every", "every how many days") or 0


def _place(facts: RoomFacts, form: dict[str, str]) -> int | None:
    key = form.get("enclosure", "")
    return enclosure_named(facts, key).id if key else None


def _note_uv(session: Session, facts: RoomFacts, now: datetime, form: dict[str, str], by: str) -> None:
    zone = form.get("zone") or "basking"
    if zone not in ZONES:
        raise BadUse(f"zone: {zone[:20]!r} is none")
    value = number_in(form, "uv_index", "UV index")
    place = enclosure_named(facts, form.get("enclosure", "")).id
    note = " ".join(form.get("note", "").split()) or None
    add_done(session, NewDone("uv-index", now, place, value, zone, note, form.get("sent_key") or None), by, now)


def _install(pages: Pages, facts: RoomFacts, now: datetime, form: dict[str, str], by: str) -> None:
    enclosure = enclosure_named(facts, form.get("enclosure", ""))
    months = number_in(form, "months", "months")
    installed = since_in(form, "installed", "installed", now, facts.zone) or now
    if len(form.get("installed", "").strip()) == _A_DATE:
        # A day alone: at its noon, and never ahead of now.
        installed = min(installed + timedelta(hours=12), now) if installed <= now else installed
    kind = " ".join(form.get("kind", "").split())
    put = correct if form.get("corrects") else install
    put(pages.parts, enclosure.key, kind, months or None, installed, by)
