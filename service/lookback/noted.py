"""What keepers noted within a span, as a report tells it, with what an entry said before it was corrected."""

from collections.abc import Iterable
from datetime import datetime

from sqlmodel import Session

from service.lookback.bodies import Body, instant, number
from service.model import Enclosure, JournalEntry, to_ms
from service.store.animals import load_animals
from service.store.facts import EnclosureFact
from service.store.journal import KINDS, About, entries_within, names_of


def enclosure_journal(session: Session, enclosure: EnclosureFact, start: datetime, end: datetime) -> list[Body]:
    """Return what was noted of an enclosure and of whoever lived in it at the time, in order of time."""
    found = {entry.id: entry for entry in entries_within(session, start, end, About(enclosure_id=enclosure.id))}
    for animal in load_animals(session):
        for housing in animal.housings:
            if housing.enclosure_id == enclosure.id and housing.meets(to_ms(start), to_ms(end)):
                about = entries_within(session, start, end, About(animal_id=animal.id))
                found |= {e.id: e for e in about if housing.start_ms <= to_ms(e.from_at) <= housing.end_ms}
    return entry_bodies(session, found.values())


def entry_bodies(session: Session, entries: Iterable[JournalEntry]) -> list[Body]:
    """Return entries of the journal as JSON values, in order of time."""
    ordered = sorted(entries, key=lambda entry: (entry.from_at, entry.id or 0))
    names = names_of(session, ordered)
    return [
        {
            "id": entry.id,
            "kind": entry.kind,
            "at": instant(to_ms(entry.from_at)),
            "animal": names.get(("animal", entry.animal_id or 0)),
            "clutch": names.get(("clutch", entry.clutch_id or 0)),
            "enclosure": None if entry.enclosure_id is None else session.get_one(Enclosure, entry.enclosure_id).key,
            "value": None if entry.value is None else number(entry.value),
            "unit": KINDS[entry.kind].unit if entry.value is not None else None,
            "note": entry.note,
            "entered_by": entry.entered_by,
            "entered_at": instant(to_ms(entry.entered_at)),
            "corrected": entry.replaces_id is not None,
        }
        for entry in ordered
    ]


def entry_words(entry: Body) -> str:
    """Return an entry as a person reads it: "weighed 412.5 g: before feeding"."""
    words = KINDS[entry["kind"]].words if entry["kind"] in KINDS else entry["kind"].replace("-", " ")
    if entry["value"] is not None:
        unit = f" {entry['unit']}" if entry["unit"] else ""
        words = f"{words} {entry['value']:g}{unit}" if unit else f"{words} ({entry['value']:g})"
    note = " ".join(entry["note"].split())
    return f"{words}: {note}" if note else words
