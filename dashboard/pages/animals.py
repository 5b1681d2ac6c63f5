"""The Animals pages: who lives where, what was noted, moves and corrections; all by plain forms."""

from collections.abc import Callable
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Path, Query, Response
from fastapi.responses import HTMLResponse
from sqlmodel import Session

from dashboard.animals import (
    LISTED,
    TAPPED,
    WRONG,
    address_of,
    animal_rows,
    choices,
    clutches_of,
    enclosure_names,
    entry_views,
    housing_views,
    members_now,
)
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
from service.api.journal_events import note, span_noted
from service.api.sign_in import SignedIn
from service.errors import BadUse, NotFound, Refused
from service.model import Animal, JournalEntry, from_ms, to_ms
from service.people.roles import Visitor
from service.store import animals as kept
from service.store.facts import RoomFacts
from service.store.journal import KINDS, About, NewEntry, entries_within
from service.store.lag_windows import LONGEST_DAYS, lag_days, set_lag_days

FactId = Annotated[int, Path(ge=1, le=2**53 - 1)]
Noted = Annotated[int | None, Query(ge=1, le=2**53 - 1, description="the entry that was just made")]
Change = Callable[[Session, RoomFacts, kept.AnimalFact, Visitor, datetime], str | None]


def animals_router(pages: Pages) -> APIRouter:
    """Return the routes of the pages."""
    router = APIRouter(include_in_schema=False)
    desk = _Desk(pages)

    @router.get("/animals")
    def _list() -> HTMLResponse:
        return desk.all()

    @router.post("/animals")
    def _add(person: SignedIn, form: Form) -> Response:
        return desk.add(form, person)

    @router.get("/animals/{name}")
    def _one(name: str, noted: Noted = None) -> HTMLResponse:
        return desk.one(name, noted)

    @router.post("/animals/{name}/notes")
    def _note(name: str, person: SignedIn, form: Form) -> Response:
        return desk.do(name, person, lambda s, facts, animal, who, now: _noted(s, facts, animal, who, now, form))

    @router.post("/animals/{name}/moves")
    def _move(name: str, person: SignedIn, form: Form) -> Response:
        return desk.do(name, person, lambda s, facts, animal, who, now: _moved(s, facts, animal, who, now, form))

    @router.post("/animals/{name}/housings/{number}")
    def _correct(name: str, number: FactId, person: SignedIn, form: Form) -> Response:
        return desk.do(
            name, person, lambda s, facts, animal, who, now: _corrected(s, facts, animal, who, now, number, form)
        )

    @router.post("/animals/{name}/names")
    def _rename(name: str, person: SignedIn, form: Form) -> Response:
        return desk.do(name, person, lambda s, _, animal, who, now: _renamed(s, animal, who, now, form))

    @router.post("/animals/{name}/look-back-days")
    def _lag(name: str, person: SignedIn, form: Form) -> Response:
        return desk.do(name, person, lambda s, _, animal, who, now: _lag_set(s, animal, who, now, form))

    return router


class _Desk:
    """Shows the pages, and lets a form change something."""

    def __init__(self, pages: Pages) -> None:
        self._pages, self._parts = pages, pages.parts

    def all(self, said: str = "", status: int = 200) -> HTMLResponse:
        """Return the list."""
        with self._parts.store.read() as session:
            facts, now = self._parts.facts(session), self._parts.now()
            here, gone = animal_rows(session, facts, now)
        shown = {
            "here": here, "gone": gone, "said": said, "enclosures": choices(facts),
            "now_field": field_value(now, facts),
            "tapped": [(key, KINDS[key].words) for key in TAPPED],
            "species": sorted({row.species for row in (*here, *gone)} | set(_species(facts))),
        }  # fmt: skip
        return self._pages.html("animals.html", facts, now, status, **shown)

    def add(self, form: dict[str, str], person: Visitor) -> Response:
        """Enter an animal, and show its page."""
        now = self._parts.now()
        try:
            with self._parts.store.write() as session:
                facts = self._parts.facts(session)
                members = whole_number(form, "members", 1)
                animal = kept.add_animal(
                    session, form.get("name", ""), form.get("species", ""), members, person.name, now
                )
                if form.get("enclosure", "").strip():
                    since = local_at(form, "since", facts, now)
                    kept.house(session, animal.id or 0, enclosure_in(form, facts), since, person.name, now)
                name = animal.name
        except BadUse as exc:
            return self.all(f"Nothing was changed: {exc}.", 409 if isinstance(exc, Refused) else 422)
        return go_to(address_of("animals", name))

    def one(self, name: str, noted: int | None = None, said: str = "", status: int = 200) -> HTMLResponse:
        """Return an animal's page."""
        with self._parts.store.read() as session:
            facts, now = self._parts.facts(session), self._parts.now()
            try:
                animal = kept.animal_named(session, name)
            except NotFound as exc:
                return self._pages.html("animal_missing.html", facts, now, 404, said=str(exc), place="/animals")
            shown = _page(session, facts, animal, now, noted)
        return self._pages.html("animal.html", facts, now, status, said=said, **shown)

    def do(self, name: str, person: Visitor, change: Change) -> Response:
        """Make a change, and show the animal's page; or say there why it was not made."""
        now = self._parts.now()
        try:
            with self._parts.store.write() as session:
                animal = kept.animal_named(session, name)
                onward = change(session, self._parts.facts(session), animal, person, now)
                # By its number: what it is called may be what was changed.
                called = session.get_one(Animal, animal.id).name
        except NotFound as exc:
            return self.one(name, said=f"Nothing was changed: {exc}.", status=404)
        except BadUse as exc:
            return self.one(name, said=f"Nothing was changed: {exc}.", status=409 if isinstance(exc, Refused) else 422)
        self._parts.wake.notify()
        return go_to(address_of("animals", called) + (onward or ""))


def _species(facts: RoomFacts) -> list[str]:
    return [version.species for versions in facts.profile_versions.values() for version in versions]


def _page(session: Session, facts: RoomFacts, animal: kept.AnimalFact, now: datetime, noted: int | None) -> dict:
    entries = entries_within(session, from_ms(0), from_ms(2**42), About(animal_id=animal.id), LISTED)
    housing = animal.housing_at(to_ms(now))
    key, where = enclosure_names(facts)[housing.enclosure_id] if housing else ("", "")
    just = next((entry for entry in entries if entry.id == noted), None)
    event = next((entry for entry in entries if KINDS[entry.kind].is_event), None)
    return {
        "animal": animal,
        "address": address_of("animals", animal.name),
        "members": members_now(session, animal),
        "enclosure": where,
        "enclosure_key": key,
        "since": when(from_ms(housing.start_ms), facts, now) if housing else "",
        "gone": when(from_ms(animal.retired_ms), facts, now) if animal.retired_ms is not None else "",
        "noted": entry_views(session, [just], facts, now)[0] if just else None,
        "event": _event(session, facts, animal, event, now),
        "entries": entry_views(session, entries, facts, now),
        "housings": housing_views(session, animal, facts, now),
        "clutches": [(clutch.name, address_of("clutches", clutch.name)) for clutch in clutches_of(session, animal)],
        "tapped": [(kind, KINDS[kind].words) for kind in TAPPED],
        "wrong": [(kind, KINDS[kind].words) for kind in WRONG],
        "others": [
            (kind.key, kind.words, kind.unit)
            for kind in KINDS.values()
            if kind.key not in (*TAPPED, *WRONG, "moved", "failed-clutch") and kind.about != "enclosure"
        ],
        "enclosures": choices(facts),
        "now_field": field_value(now, facts),
        "longest_lag": LONGEST_DAYS,
    }


def _event(
    session: Session, facts: RoomFacts, animal: kept.AnimalFact, event: JournalEntry | None, now: datetime
) -> dict | None:
    """Return the last thing that went wrong, with the span that is looked back at."""
    if event is None:
        return None
    span = span_noted(session, facts, event, animal.species)
    return {
        "words": KINDS[event.kind].words,
        "kind": event.kind,
        "at": when(event.from_at, facts, now),
        "days": lag_days(session, animal.species, event.kind),
        "first": span.first.isoformat(),
        "last": span.last.isoformat(),
    }


def _noted(
    session: Session, facts: RoomFacts, animal: kept.AnimalFact, who: Visitor, now: datetime, form: dict[str, str]
) -> str:
    new = NewEntry(
        form.get("kind", ""), local_at(form, "at", facts, now), animal_id=animal.id,
        value=optional_number(form, "value"), note=form.get("note", ""),
    )  # fmt: skip
    entry = note(session, facts, new, who.name, now)
    return f"?noted={entry.id}#noted"


def _moved(
    session: Session, facts: RoomFacts, animal: kept.AnimalFact, who: Visitor, now: datetime, form: dict[str, str]
) -> str:
    """Move an animal, and note it; with an end it is where it lived before, and no move."""
    there, at, until = enclosure_in(form, facts), local_at(form, "since", facts, now), optional_at(form, "until", facts)
    if until is not None:
        kept.add_past_housing(session, animal.id, there, (at, until), who.name, now)
        return "#housings"
    kept.house(session, animal.id, there, at, who.name, now)
    name = enclosure_names(facts)[there][1]
    new = NewEntry("moved", at, animal_id=animal.id, note=f"into {name}")
    return f"?noted={note(session, facts, new, who.name, now).id}#noted"


def _corrected(
    session: Session,
    facts: RoomFacts,
    animal: kept.AnimalFact,
    who: Visitor,
    now: datetime,
    number: int,
    form: dict[str, str],
) -> str:
    kept.require_of(session, animal, number)
    if form.get("do") == "withdraw":
        kept.withdraw_housing(session, number, who.name, now)
        return "#housings"
    since = optional_at(form, "since", facts)
    if since is None:
        raise BadUse("since: when did it come there?")
    span = (since, optional_at(form, "until", facts))
    kept.correct_housing(session, number, enclosure_in(form, facts), span, who.name, now)
    return "#housings"


def _renamed(session: Session, animal: kept.AnimalFact, who: Visitor, now: datetime, form: dict[str, str]) -> None:
    members = whole_number(form, "members", animal.members)
    kept.rename_animal(session, animal.id, form.get("name", ""), form.get("species", ""), who.name, now, members)


def _lag_set(session: Session, animal: kept.AnimalFact, who: Visitor, now: datetime, form: dict[str, str]) -> str:
    kind = form.get("kind", "illness")
    if kind not in KINDS or not KINDS[kind].is_event:
        raise BadUse("kind: expected illness, death or failed-clutch")
    set_lag_days(session, animal.species, kind, whole_number(form, "days"), who.name, now)
    return "#look-back"
