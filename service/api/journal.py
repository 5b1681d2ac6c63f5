"""The journal: what keepers noted."""

from datetime import UTC, datetime
from typing import Annotated, Final

from fastapi import APIRouter, Query
from sqlmodel import Session

from service.api.addresses import PREFIX
from service.api.animal_answers import (
    EntryAnswer,
    EntryChange,
    EntryIn,
    FactId,
    JournalAnswer,
    NumberCursor,
    enclosure_keys,
    entry_answers,
)
from service.api.journal_events import note
from service.api.parts import Parts
from service.api.problems import documented
from service.api.requests import LARGEST_PAGE, IsoInstant, PartsDep, enclosure_named
from service.api.sign_in import SignedIn
from service.lookback.spans import enclosure_of
from service.model import JournalEntry
from service.store.animals import animal_named
from service.store.clutches import clutch_named
from service.store.journal import About, NewEntry, correct_entry, entries_within, withdraw_entry

router = APIRouter(prefix=PREFIX, tags=["animals"])
_BEGINNING: Final = datetime(1970, 1, 1, tzinfo=UTC)
_END: Final = datetime(2200, 1, 1, tzinfo=UTC)
AnimalName = Annotated[str | None, Query(max_length=80, description="Only what is about this animal.")]
ClutchName = Annotated[str | None, Query(max_length=80, description="Only what is about this clutch.")]
EnclosureName = Annotated[str | None, Query(max_length=64, description="Only what is about this enclosure itself.")]


def about_of(
    parts: Parts, session: Session, animal: str | None, clutch: str | None, enclosure: str | None
) -> About | None:
    """Return what names are about; None where none is given. Raises NotFound."""
    if animal is None and clutch is None and enclosure is None:
        return None
    return About(
        None if animal is None else animal_named(session, animal).id,
        None if clutch is None else clutch_named(session, clutch).id,
        None if enclosure is None else enclosure_of(parts.facts(session), enclosure).id,
    )


@router.get("/journal", responses=documented(404, 422, 503))
def get_journal(
    parts: PartsDep,
    animal: AnimalName = None,
    clutch: ClutchName = None,
    enclosure: EnclosureName = None,
    from_: Annotated[IsoInstant | None, Query(alias="from")] = None,
    to: IsoInstant | None = None,
    cursor: NumberCursor = None,
    limit: Annotated[int, Query(ge=1, le=LARGEST_PAGE)] = 100,
) -> JournalAnswer:
    """Return what was noted of a span, the newest first; what was corrected is given as it was corrected."""
    first = 0 if cursor is None else int(cursor)
    with parts.store.read() as session:
        about = about_of(parts, session, animal, clutch, enclosure)
        found = entries_within(session, from_ or _BEGINNING, to or _END, about, first + limit + 1)
        page = entry_answers(session, found[first : first + limit], enclosure_keys(parts.facts(session)))
    return JournalAnswer(entries=page, next=str(first + limit) if len(found) > first + limit else None)


@router.post("/journal", status_code=201, responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_entry(parts: PartsDep, person: SignedIn, body: EntryIn) -> EntryAnswer:
    """Note something. A death or sale of a single animal ends its housing. 409: it is gone already.

    Of an illness, a death or a failed clutch the readings of the span before are pinned: no rule deletes them.
    """
    now = parts.now()
    with parts.store.write() as session:
        facts = parts.facts(session)
        new = NewEntry(
            kind=body.kind,
            at=body.at or now,
            animal_id=None if body.animal is None else animal_named(session, body.animal).id,
            clutch_id=None if body.clutch is None else clutch_named(session, body.clutch).id,
            enclosure_id=None if body.enclosure is None else enclosure_named(facts, body.enclosure).id,
            value=body.value,
            note=body.note,
        )
        entry = note(session, facts, new, person.name, now)
        return _answer(parts, session, entry)


@router.post("/journal/{number}/correct", responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_correction(parts: PartsDep, person: SignedIn, number: FactId, body: EntryChange) -> EntryAnswer:
    """Put an entry right, or take it back; what was entered before stays on record. 409: corrected meanwhile."""
    now = parts.now()
    with parts.store.write() as session:
        entry = session.get(JournalEntry, number)
        if body.withdrawn and entry is not None:
            withdraw_entry(session, number, person.name, now)
        else:
            at = body.at or (entry.from_at if entry is not None else now)
            entry = correct_entry(session, number, person.name, now, at=at, value=body.value, note=body.note)
        return _answer(parts, session, entry)


def _answer(parts: Parts, session: Session, entry: JournalEntry) -> EntryAnswer:
    return entry_answers(session, [entry], enclosure_keys(parts.facts(session)))[0]
