"""The Clutches pages: laid, counted, put somewhere, how far they have come, and what came of them."""

from collections.abc import Callable
from datetime import date, datetime

from fastapi import APIRouter, Response
from fastapi.responses import HTMLResponse
from sqlmodel import Session

from dashboard.animals import address_of, choices, enclosure_names, entry_views
from dashboard.local_forms import (
    enclosure_in,
    field_value,
    local_at,
    optional_at,
    optional_number,
    when,
    whole_number,
)
from dashboard.pages.forms import Form, go_to
from dashboard.pages.site import Pages
from service.api.journal_events import note
from service.api.sign_in import SignedIn
from service.errors import BadUse, NotFound, Refused
from service.lookback.lives.eggs import development_of, eggs_body
from service.lookback.lives.stays import life_of_clutch
from service.lookback.words import span_words
from service.model import ZONES, Animal, ClutchRecord, from_ms, to_ms
from service.people.roles import Visitor
from service.store import clutches as kept
from service.store.animals import animal_named, load_animals
from service.store.facts import RoomFacts
from service.store.journal import About, NewEntry, entries_within

Change = Callable[[Session, RoomFacts, kept.ClutchFact, Visitor, datetime], None]


def clutches_router(pages: Pages) -> APIRouter:
    """Return the routes of the pages."""
    router = APIRouter(include_in_schema=False)
    desk = _Desk(pages)

    @router.get("/clutches")
    def _list() -> HTMLResponse:
        return desk.all()

    @router.post("/clutches")
    def _add(person: SignedIn, form: Form) -> Response:
        return desk.add(form, person)

    @router.get("/clutches/{name}")
    def _one(name: str) -> HTMLResponse:
        return desk.one(name)

    @router.post("/clutches/{name}/moves")
    def _move(name: str, person: SignedIn, form: Form) -> Response:
        return desk.do(name, person, lambda s, facts, clutch, who, now: _moved(s, facts, clutch, who, now, form))

    @router.post("/clutches/{name}/correct")
    def _correct(name: str, person: SignedIn, form: Form) -> Response:
        return desk.do(name, person, lambda s, facts, clutch, who, now: _corrected(s, facts, clutch, who, now, form))

    @router.post("/clutches/{name}/outcome")
    def _outcome(name: str, person: SignedIn, form: Form) -> Response:
        return desk.do(name, person, lambda s, facts, clutch, who, now: _ended(s, facts, clutch, who, now, form))

    return router


class _Desk:
    """Shows the pages, and lets a form change something."""

    def __init__(self, pages: Pages) -> None:
        self._pages, self._parts = pages, pages.parts

    def all(self, said: str = "", status: int = 200) -> HTMLResponse:
        """Return the list."""
        with self._parts.store.read() as session:
            facts, now = self._parts.facts(session), self._parts.now()
            cards = [_card(session, facts, clutch, now) for clutch in kept.load_clutches(session)]
            mothers = [(one.name, one.species) for one in load_animals(session)]
        shown = {
            "lying": [c for c in cards if not c["ended"]], "over": [c for c in cards if c["ended"]], "said": said,
            "mothers": mothers, "enclosures": choices(facts), "zones": ZONES, "now_field": field_value(now, facts),
            "species": sorted({species for _, species in mothers}),
        }  # fmt: skip
        return self._pages.html("clutches.html", facts, now, status, **shown)

    def add(self, form: dict[str, str], person: Visitor) -> Response:
        """Enter a clutch, and show its page."""
        now = self._parts.now()
        try:
            with self._parts.store.write() as session:
                facts = self._parts.facts(session)
                mother = form.get("mother", "").strip()
                new = kept.NewClutch(
                    form.get("name", ""), form.get("species", ""), local_at(form, "laid", facts, now), _terms(form),
                    enclosure_in(form, facts) if form.get("enclosure", "").strip() else None,
                    form.get("zone", "") or "egg-chamber", animal_named(session, mother).id if mother else None,
                )  # fmt: skip
                name = kept.add_clutch(session, new, person.name, now).name
        except BadUse as exc:
            return self.all(f"Nothing was changed: {exc}.", 409 if isinstance(exc, Refused) else 422)
        return go_to(address_of("clutches", name))

    def one(self, name: str, said: str = "", status: int = 200) -> HTMLResponse:
        """Return a clutch's page."""
        with self._parts.store.read() as session:
            facts, now = self._parts.facts(session), self._parts.now()
            try:
                clutch = kept.clutch_named(session, name)
            except NotFound as exc:
                return self._pages.html("animal_missing.html", facts, now, 404, said=str(exc), place="/clutches")
            entries = entries_within(session, from_ms(0), from_ms(2**42), About(clutch_id=clutch.id), 100)
            shown = {
                "card": _card(session, facts, clutch, now), "clutch": clutch, "enclosures": choices(facts),
                "zones": ZONES, "now_field": field_value(now, facts), "outcomes": ClutchRecord.OUTCOMES,
                "laid_field": field_value(from_ms(clutch.laid_ms), facts),
                "entries": entry_views(session, entries, facts, now),
            }  # fmt: skip
        return self._pages.html("clutch.html", facts, now, status, said=said, **shown)

    def do(self, name: str, person: Visitor, change: Change) -> Response:
        """Make a change, and show the clutch's page; or say there why it was not made."""
        now = self._parts.now()
        try:
            with self._parts.store.write() as session:
                clutch = kept.clutch_named(session, name)
                change(session, self._parts.facts(session), clutch, person, now)
        except NotFound as exc:
            return self.one(name, f"Nothing was changed: {exc}.", 404)
        except BadUse as exc:
            return self.one(name, f"Nothing was changed: {exc}.", 409 if isinstance(exc, Refused) else 422)
        return go_to(address_of("clutches", clutch.name))


def _card(session: Session, facts: RoomFacts, clutch: kept.ClutchFact, now: datetime) -> dict:
    life = life_of_clutch(facts, clutch)
    body = eggs_body(clutch, development_of(session, facts, life, clutch, to_ms(now)), facts.zone, to_ms(now))
    names = enclosure_names(facts)
    place = clutch.places[-1] if clutch.places else None
    mother = None if clutch.mother_id is None else session.get_one(Animal, clutch.mother_id).name
    return {
        "name": clutch.name,
        "address": address_of("clutches", clutch.name),
        "species": clutch.species,
        "mother": (mother, address_of("animals", mother)) if mother else None,
        "laid": when(from_ms(clutch.laid_ms), facts, now),
        "ended": clutch.outcome or ("over" if clutch.ended_ms is not None else ""),
        "sentences": body["sentences"],
        "eggs": body["eggs"],
        "hatching": _hatching(body["eggs"]),
        "place": (names[place.enclosure_id][1], names[place.enclosure_id][0], place.zone) if place else None,
        "places": [
            (names[p.enclosure_id][1], p.zone, when(from_ms(p.start_ms), facts, now)) for p in reversed(clutch.places)
        ],
    }


def _hatching(eggs: dict) -> str:
    """Return when hatching is to be expected, empty where that is not known."""
    edges = [date.fromisoformat(day) for day in (eggs["hatch_from"], eggs["hatch_until"]) if day]
    return span_words(*edges) if edges else ""


def _terms(form: dict[str, str]) -> kept.ClutchTerms:
    return kept.ClutchTerms(
        whole_number(form, "eggs"), optional_number(form, "base"), optional_number(form, "needed_low"),
        optional_number(form, "needed_high"), form.get("basis", ""),
    )  # fmt: skip


def _moved(
    session: Session, facts: RoomFacts, clutch: kept.ClutchFact, who: Visitor, now: datetime, form: dict[str, str]
) -> None:
    there, zone = enclosure_in(form, facts), form.get("zone", "") or "egg-chamber"
    kept.move_clutch(session, clutch.id, there, zone, local_at(form, "at", facts, now), who.name, now)


def _corrected(
    session: Session, facts: RoomFacts, clutch: kept.ClutchFact, who: Visitor, now: datetime, form: dict[str, str]
) -> None:
    laid = optional_at(form, "laid", facts)
    was = from_ms(clutch.laid_ms)
    if laid is None or form.get("laid") == field_value(was, facts):
        laid = was
    kept.correct_clutch(session, clutch, laid, _terms(form), who.name, now)


def _ended(
    session: Session, facts: RoomFacts, clutch: kept.ClutchFact, who: Visitor, now: datetime, form: dict[str, str]
) -> None:
    """Note what came of a clutch; of one that failed, the readings since it was laid are pinned."""
    outcome, at = form.get("outcome", ""), local_at(form, "at", facts, now)
    hatched = whole_number(form, "hatched", -1)
    kept.end_clutch(session, clutch, outcome, None if hatched == -1 else hatched, at, who.name, now)
    if outcome == "failed":
        note(
            session, facts, NewEntry("failed-clutch", at, clutch_id=clutch.id, note=form.get("note", "")), who.name, now
        )
