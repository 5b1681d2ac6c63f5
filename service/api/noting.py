"""Short notes from the aisle, which may have waited on a phone: each is kept once, however often it is sent."""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session, select

from service.model import JournalEntry, table_of
from service.store.animals import animal_named
from service.store.journal import NewEntry, add_entry

_ENTRY = table_of(JournalEntry)


@dataclass(frozen=True, slots=True)
class ShortNote:
    """A note: `at` is when it was written, by the sender's clock; a note with the same time is the same note."""

    kind: str
    enclosure_id: int
    at: datetime
    animal: str | None = None
    note: str = ""


def note_once(session: Session, note: ShortNote, by: str, now: datetime) -> JournalEntry:
    """Write a note into the journal; one that was written already is given back.

    Raises
    ------
    BadUse
        The kind is none, or the time lies ahead.
    NotFound
        There is no such animal.
    """
    animal_id = animal_named(session, note.animal).id if note.animal else None
    query = select(JournalEntry).where(
        _ENTRY.c.from_at == note.at, _ENTRY.c.kind == note.kind, _ENTRY.c.entered_by == by,
        _ENTRY.c.enclosure_id == note.enclosure_id,
        _ENTRY.c.animal_id.is_(None) if animal_id is None else _ENTRY.c.animal_id == animal_id,
    )  # fmt: skip
    there = session.exec(query).first()
    if there is not None:
        return there
    new = NewEntry(kind=note.kind, at=note.at, animal_id=animal_id, enclosure_id=note.enclosure_id, note=note.note)
    return add_entry(session, new, by, now)
