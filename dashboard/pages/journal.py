"""The Journal page: everything that was noted, short forms for what concerns an enclosure, and corrections."""

from typing import Annotated

from fastapi import APIRouter, Path, Query, Response
from fastapi.responses import HTMLResponse

from dashboard.animals import TAPPED_HERE, choices, entry_views, journal_days, kinds_offered
from dashboard.local_forms import enclosure_in, field_value, local_at, optional_number
from dashboard.pages.forms import Form, go_to, local_path
from dashboard.pages.site import Pages
from service.api.journal_events import note
from service.api.sign_in import SignedIn
from service.errors import BadUse, Refused
from service.model import JournalEntry, from_ms
from service.people.roles import Visitor
from service.store.journal import KINDS, NewEntry, correct_entry, entries_within, withdraw_entry

FactId = Annotated[int, Path(ge=1, le=2**53 - 1)]
PageNumber = Annotated[int, Query(ge=1, le=10_000)]
_PAGE = 100


def journal_router(pages: Pages) -> APIRouter:
    """Return the routes of the page."""
    router = APIRouter(include_in_schema=False)
    desk = _Desk(pages)

    @router.get("/journal")
    def _list(page: PageNumber = 1) -> HTMLResponse:
        return desk.page(page)

    @router.post("/journal")
    def _add(person: SignedIn, form: Form) -> Response:
        return desk.add(form, person)

    @router.post("/journal/{number}")
    def _correct(number: FactId, person: SignedIn, form: Form) -> Response:
        return desk.correct(number, form, person)

    return router


class _Desk:
    """Shows the page, and lets a form change something."""

    def __init__(self, pages: Pages) -> None:
        self._pages, self._parts = pages, pages.parts

    def page(self, page: int = 1, said: str = "", status: int = 200) -> HTMLResponse:
        """Return a page of the journal, the newest first."""
        with self._parts.store.read() as session:
            facts, now = self._parts.facts(session), self._parts.now()
            found = entries_within(session, from_ms(0), from_ms(2**42), None, page * _PAGE + 1)
            entries = entry_views(session, found[(page - 1) * _PAGE : page * _PAGE], facts, now)
        days = journal_days(entries, now.astimezone(facts.zone).year)
        shown = {
            "days": days, "page": page, "older": len(found) > page * _PAGE, "said": said,
            "enclosures": choices(facts), "now_field": field_value(now, facts),
            "tapped": [(kind, KINDS[kind].words) for kind in TAPPED_HERE],
            "kinds": kinds_offered({"enclosure", "either"}),
        }  # fmt: skip
        return self._pages.html("journal.html", facts, now, status, **shown)

    def add(self, form: dict[str, str], person: Visitor) -> Response:
        """Note something of an enclosure."""
        now = self._parts.now()
        try:
            with self._parts.store.write() as session:
                facts = self._parts.facts(session)
                new = NewEntry(
                    form.get("kind", ""), local_at(form, "at", facts, now), enclosure_id=enclosure_in(form, facts),
                    value=optional_number(form, "value"), note=form.get("note", ""),
                )  # fmt: skip
                note(session, facts, new, person.name, now)
        except BadUse as exc:
            return self.page(said=f"Nothing was changed: {exc}.", status=409 if isinstance(exc, Refused) else 422)
        return go_to(local_path(form.get("back"), "/journal"))

    def correct(self, number: int, form: dict[str, str], person: Visitor) -> Response:
        """Put an entry right, or take it back."""
        now = self._parts.now()
        try:
            with self._parts.store.write() as session:
                facts, entry = self._parts.facts(session), session.get(JournalEntry, number)
                if form.get("do") == "withdraw":
                    withdraw_entry(session, number, person.name, now)
                else:
                    was = now if entry is None else entry.from_at
                    # The field says the minute: what was not touched keeps its second.
                    untouched = form.get("at", "") == field_value(was, facts)
                    at = was if untouched else local_at(form, "at", facts, now)
                    value, said = optional_number(form, "value"), form.get("note", "")
                    correct_entry(session, number, person.name, now, at=at, value=value, note=said)
        except BadUse as exc:
            return self.page(said=f"Nothing was changed: {exc}.", status=409 if isinstance(exc, Refused) else 422)
        return go_to(local_path(form.get("back"), "/journal"))
