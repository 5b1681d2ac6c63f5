"""Animals and where they live: entered, moved, corrected."""

from datetime import datetime

from fastapi import APIRouter
from sqlmodel import Session

from service.api.addresses import PREFIX
from service.api.animal_answers import (
    AnimalDetail,
    AnimalIn,
    AnimalsAnswer,
    FactId,
    HousingIn,
    Named,
    NumberCursor,
    animal_answer,
    enclosure_keys,
    housing_answers,
)
from service.api.parts import Parts
from service.api.problems import documented
from service.api.requests import PageSize, PartsDep, enclosure_named
from service.api.sign_in import SignedIn
from service.lookback.spans import enclosure_of
from service.model import Housing, to_ms
from service.store import animals as kept
from service.store.dated import versions

router = APIRouter(prefix=PREFIX, tags=["animals"])


def animal_detail(parts: Parts, session: Session, name: str) -> AnimalDetail:
    """Return an animal with every housing that was entered, or raise NotFound."""
    animal = kept.animal_named(session, name)
    keys = enclosure_keys(parts.facts(session))
    rows = versions(session, Housing, animal_id=animal.id)
    plain = animal_answer(animal, keys, to_ms(parts.now()))
    return AnimalDetail(**dict(plain), housings=housing_answers(rows, keys))


def _detail(parts: Parts, name: str) -> AnimalDetail:
    with parts.store.read() as session:
        return animal_detail(parts, session, name)


@router.get("/animals", responses=documented(422, 503))
def list_animals(parts: PartsDep, cursor: NumberCursor = None, limit: PageSize = 200) -> AnimalsAnswer:
    """Return animals by name, those that are gone too."""
    with parts.store.read() as session:
        keys, found = enclosure_keys(parts.facts(session)), kept.load_animals(session)
    first = 0 if cursor is None else int(cursor)
    page = [animal_answer(one, keys, to_ms(parts.now())) for one in found[first : first + limit]]
    return AnimalsAnswer(animals=page, next=str(first + limit) if len(found) > first + limit else None)


@router.post("/animals", status_code=201, responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_animal(parts: PartsDep, person: SignedIn, body: AnimalIn) -> AnimalDetail:
    """Enter an animal or a group, and where it lives. 409: the name is taken."""
    now = parts.now()
    with parts.store.write() as session:
        animal = kept.add_animal(session, body.name, body.species, body.members, person.name, now)
        if body.enclosure is not None:
            there = enclosure_named(parts.facts(session), body.enclosure).id
            kept.house(session, animal.id or 0, there, body.since or now, person.name, now)
        name = animal.name
    return _detail(parts, name)


@router.get("/animals/{name}", responses=documented(404, 422, 503))
def get_animal(parts: PartsDep, name: Named) -> AnimalDetail:
    """Return an animal with every housing that was ever entered, those corrected since too."""
    return _detail(parts, name)


@router.post("/animals/{name}/housings", responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_housing(parts: PartsDep, person: SignedIn, name: Named, body: HousingIn) -> AnimalDetail:
    """Move an animal; with `until`, enter where it lived in a time of which nothing is known yet.

    409: it would be in two enclosures at one time.
    """
    with parts.store.write() as session:
        animal = kept.animal_named(session, name)
        there = enclosure_of(parts.facts(session), body.enclosure).id
        enter_housing(session, animal.id, there, (body.since, body.until), person.name, parts.now())
    return _detail(parts, animal.name)


def enter_housing(
    session: Session, animal_id: int, enclosure_id: int, span: tuple[datetime, datetime | None], by: str, now: datetime
) -> None:
    """Move an animal, or enter a housing that is over."""
    if span[1] is None:
        kept.house(session, animal_id, enclosure_id, span[0], by, now)
    else:
        kept.add_past_housing(session, animal_id, enclosure_id, span, by, now)


@router.post("/animals/{name}/housings/{number}/correct", responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_correction(parts: PartsDep, person: SignedIn, name: Named, number: FactId, body: HousingIn) -> AnimalDetail:
    """Put a housing right; what was entered before stays, and look-backs show both. 409: two places at one time."""
    with parts.store.write() as session:
        animal = kept.animal_named(session, name)
        there = enclosure_of(parts.facts(session), body.enclosure).id
        kept.require_of(session, animal, number)
        kept.correct_housing(session, number, there, (body.since, body.until), person.name, parts.now())
    return _detail(parts, animal.name)


@router.post("/animals/{name}/housings/{number}/withdraw", responses=documented(401, 403, 404, 409, 413, 422, 503))
def post_withdrawal(parts: PartsDep, person: SignedIn, name: Named, number: FactId) -> AnimalDetail:
    """Take back a housing that never was; it stays on record."""
    with parts.store.write() as session:
        animal = kept.animal_named(session, name)
        kept.require_of(session, animal, number)
        kept.withdraw_housing(session, number, person.name, parts.now())
    return _detail(parts, animal.name)
