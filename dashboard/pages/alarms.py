"""The Alarms page, the pieces of it that change, and what a person does to an alarm by plain forms."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Annotated, Final

from fastapi import APIRouter, Path, Query, Response
from fastapi.responses import HTMLResponse
from sqlmodel import Session

from dashboard.alarm_days import alarm_days
from dashboard.alarms import SHELVES, alarms_view
from dashboard.pages.alarm_load import load_router
from dashboard.pages.charts import enclosure_named
from dashboard.pages.forms import Form, go_to, local_path
from dashboard.pages.site import Pages
from service.alarms.holding import end_hold
from service.alarms.lifecycle import State
from service.alarms.record import acknowledge
from service.api.alarm_actions import LONGEST_NOTE, put_back, rest_until, shelve_until, tidy_note
from service.api.live import live_position
from service.api.sign_in import SignedIn
from service.errors import BadUse, NotFound, Refused
from service.people.roles import Visitor
from service.store.facts import RoomFacts
from service.store.holds import get_hold

_LARGEST: Final = 2**53 - 1
_MOST_DIGITS: Final = 6
AlarmId = Annotated[int, Path(ge=1, le=_LARGEST)]
PageNumber = Annotated[int, Query(ge=1, le=100_000)]
Before = Annotated[int | None, Query(ge=1, le=_LARGEST)]
Change = Callable[[Session, Visitor, str | None, datetime], None]


def alarms_router(pages: Pages) -> APIRouter:
    """Return the routes of the page."""
    router = APIRouter(include_in_schema=False)
    answering = _Answering(pages)
    router.routes.extend(load_router(pages).routes)

    @router.get("/alarms")
    def _page(page: PageNumber = 1, before: Before = None) -> HTMLResponse:
        return answering.page(page, before)

    @router.get("/fragments/alarms")
    def _pieces(page: PageNumber = 1, before: Before = None) -> HTMLResponse:
        rhythms = pages.parts.rhythms
        with pages.parts.store.read() as session:
            facts, now = pages.parts.facts(session), pages.parts.now()
            view = alarms_view(session, facts, rhythms, now, page, before)
            past = alarm_days(view.past, facts, now)
        return pages.html("alarms_fragment.html", facts, now, view=view, past=past, shelves=SHELVES)

    return router


def answers_router(pages: Pages) -> APIRouter:
    """Return the routes that plain forms are sent to."""
    router = APIRouter(include_in_schema=False)
    answering = _Answering(pages)

    @router.post("/alarms/{alarm_id}/acknowledge")
    def _acknowledge(alarm_id: AlarmId, person: SignedIn, form: Form) -> Response:
        return answering.do(form, person, lambda s, who, note, now: _seen(s, alarm_id, who, note, now))

    @router.post("/alarms/{alarm_id}/shelve")
    def _shelve(alarm_id: AlarmId, person: SignedIn, form: Form) -> Response:
        minutes = form.get("minutes", "")

        def change(session: Session, who: Visitor, note: str | None, now: datetime) -> None:
            shelve_until(session, alarm_id, who.name, note, now, now + _length(minutes))

        return answering.do(form, person, change)

    @router.post("/holds/{hold_id}/end")
    def _end(hold_id: AlarmId, person: SignedIn, form: Form) -> Response:
        return answering.do(form, person, lambda s, who, note, now: _end_hold(s, hold_id, who, note, now))

    @router.post("/enclosures/{key}/out-of-service")
    def _take_out(key: str, person: SignedIn, form: Form) -> Response:
        def change(session: Session, who: Visitor, note: str | None, now: datetime) -> None:
            facts = pages.parts.facts(session)
            until = _local_instant(form.get("until", ""), facts)
            rest_until(session, enclosure_named(facts, key).id, who.name, note, now, until)

        return answering.do(form, person, change)

    @router.post("/enclosures/{key}/return")
    def _return(key: str, person: SignedIn, form: Form) -> Response:
        def change(session: Session, who: Visitor, note: str | None, now: datetime) -> None:
            put_back(session, enclosure_named(pages.parts.facts(session), key).id, who.name, note, now)

        return answering.do(form, person, change)

    return router


class _Answering:
    """Lets a form change something, and shows what came of it."""

    def __init__(self, pages: Pages) -> None:
        self._pages = pages

    def page(self, page: int = 1, before: int | None = None, said: str = "", status: int = 200) -> HTMLResponse:
        """Return the page; `said` says why a change was not made."""
        parts, rhythms = self._pages.parts, self._pages.parts.rhythms
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
            view, after = alarms_view(session, facts, rhythms, now, page, before), live_position(session)
            past = alarm_days(view.past, facts, now)
        shown = {"view": view, "past": past, "said": said, "shelves": SHELVES, "live_after": after}
        return self._pages.html("alarms.html", facts, now, status, **shown)

    def do(self, form: dict[str, str], person: Visitor, change: Change) -> Response:
        """Make a change and go back to where the form stood, or say there why it was not made."""
        parts = self._pages.parts
        try:
            note = _note(form)
            with parts.store.write() as session:
                change(session, person, note, parts.now())
        except NotFound:
            raise
        except BadUse as exc:
            status = 409 if isinstance(exc, Refused) else 422
            return self.page(said=f"Nothing was changed: {exc}.", status=status)
        parts.wake.notify()
        return go_to(local_path(form.get("back"), "/alarms"))


def _note(form: dict[str, str]) -> str | None:
    note = tidy_note(form.get("note"))
    if note is not None and len(note) > LONGEST_NOTE:
        raise BadUse(f"the note has {len(note)} characters, at most {LONGEST_NOTE} are kept")
    return note


def _seen(session: Session, alarm_id: int, who: Visitor, note: str | None, now: datetime) -> None:
    acknowledge(session, alarm_id, who.name, note, now)


def _end_hold(session: Session, hold_id: int, who: Visitor, note: str | None, now: datetime) -> None:
    if get_hold(session, hold_id).kind == State.SUPPRESSED:
        raise Refused("what is suppressed by design comes back when its reason has gone")
    end_hold(session, hold_id, who.name, now, note)


def _length(minutes: str) -> timedelta:
    if not (minutes.isascii() and minutes.isdigit() and len(minutes) <= _MOST_DIGITS):
        raise BadUse(f"minutes: expected a whole number, got {minutes[:20]!r}")
    return timedelta(minutes=int(minutes))


def _local_instant(text: str, facts: RoomFacts) -> datetime:
    """Read a local time of the site, as a form's field gives it."""
    try:
        local = datetime.fromisoformat(text)
    except ValueError as exc:
        raise BadUse(f"until: {text[:40]!r} is no time; write for example 2026-03-10T15:00") from exc
    return local if local.tzinfo is not None else local.replace(tzinfo=facts.zone)
