"""Clutches: entered, moved, corrected, and what came of them."""

from fastapi import APIRouter
from sqlmodel import Session

from service.api.addresses import PREFIX
from service.api.animal_answers import (
    ClutchAnswer,
    ClutchesAnswer,
    ClutchIn,
    ClutchPlaceIn,
    Named,
    OutcomeIn,
    TermsIn,
    clutch_answer,
    enclosure_keys,
)
from service.api.parts import Parts
from service.api.problems import documented
from service.api.requests import PartsDep, enclosure_named
from service.api.sign_in import SignedIn
from service.store import clutches as kept
from service.store.animals import animal_named

router = APIRouter(prefix=PREFIX, tags=["animals"])


def terms_of(body: TermsIn) -> kept.ClutchTerms:
    """Return what a body says of a clutch."""
    return kept.ClutchTerms(body.eggs, body.base, body.needed_low, body.needed_high, body.basis)


def _answer(parts: Parts, session: Session, name: str) -> ClutchAnswer:
    return clutch_answer(session, kept.clutch_named(session, name), enclosure_keys(parts.facts(session)))


@router.get("/clutches", responses=documented(503))
def list_clutches(parts: PartsDep) -> ClutchesAnswer:
    """Return every clutch, the one that was laid last first."""
    with parts.store.read() as session:
        keys = enclosure_keys(parts.facts(session))
        return ClutchesAnswer(clutches=[clutch_answer(session, c, keys) for c in kept.load_clutches(session)])


@router.post("/clutches", status_code=201, responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_clutch(parts: PartsDep, person: SignedIn, body: ClutchIn) -> ClutchAnswer:
    """Enter a clutch, and where it lies. 409: the name is taken."""
    with parts.store.write() as session:
        new = kept.NewClutch(
            name=body.name,
            species=body.species,
            laid_at=body.laid,
            terms=terms_of(body),
            enclosure_id=None if body.enclosure is None else enclosure_named(parts.facts(session), body.enclosure).id,
            zone=body.zone,
            mother_id=None if body.mother is None else animal_named(session, body.mother).id,
        )
        clutch = kept.add_clutch(session, new, person.name, parts.now())
        return _answer(parts, session, clutch.name)


@router.get("/clutches/{name}", responses=documented(404, 422, 503))
def get_clutch(parts: PartsDep, name: Named) -> ClutchAnswer:
    """Return a clutch with its places."""
    with parts.store.read() as session:
        return _answer(parts, session, name)


@router.post("/clutches/{name}/places", responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_place(parts: PartsDep, person: SignedIn, name: Named, body: ClutchPlaceIn) -> ClutchAnswer:
    """Put a clutch elsewhere. 409: it was moved at or after that time already."""
    now = parts.now()
    with parts.store.write() as session:
        clutch = kept.clutch_named(session, name)
        there = enclosure_named(parts.facts(session), body.enclosure).id
        kept.move_clutch(session, clutch.id, there, body.zone, body.at or now, person.name, now)
        return _answer(parts, session, clutch.name)


@router.post("/clutches/{name}/correct", responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_terms(parts: PartsDep, person: SignedIn, name: Named, body: TermsIn) -> ClutchAnswer:
    """Put right when a clutch was laid, its count or what it needs; what was entered before stays on record."""
    with parts.store.write() as session:
        clutch = kept.clutch_named(session, name)
        kept.correct_clutch(session, clutch, body.laid, terms_of(body), person.name, parts.now())
        return _answer(parts, session, clutch.name)


@router.post("/clutches/{name}/outcome", responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_outcome(parts: PartsDep, person: SignedIn, name: Named, body: OutcomeIn) -> ClutchAnswer:
    """Note what came of a clutch."""
    now = parts.now()
    with parts.store.write() as session:
        clutch = kept.clutch_named(session, name)
        kept.end_clutch(session, clutch, body.outcome, body.hatched, body.at or now, person.name, now)
        return _answer(parts, session, clutch.name)
