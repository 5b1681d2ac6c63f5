"""What went wrong of late, each with the look-back that begins from it."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from urllib.parse import urlencode

from sqlmodel import Session

from dashboard.animals import EntryView, entry_views
from service.api.journal_events import span_noted
from service.model import JournalEntry
from service.store.animals import load_animals
from service.store.facts import RoomFacts
from service.store.journal import KINDS, entries_within
from service.store.lag_windows import lag_days

_OF_LATE: Final = timedelta(days=365)
_LISTED: Final = 12


@dataclass(frozen=True, slots=True)
class WentWrong:
    """An illness, a death or a failed clutch; `days` is 0 where the look-back is of all its time."""

    entry: EntryView
    name: str
    address: str
    look_back: str
    days: int


def went_wrong(session: Session, facts: RoomFacts, now: datetime) -> list[WentWrong]:
    """Return what went wrong within the last year, the newest first."""
    kinds = [kind.key for kind in KINDS.values() if kind.is_event]
    entries = entries_within(session, now - _OF_LATE, now + timedelta(minutes=5), limit=_LISTED, kinds=kinds)
    species = {one.id: one.species for one in load_animals(session)} if entries else {}
    return [
        _one(session, facts, entry, view, species)
        for entry, view in zip(entries, entry_views(session, entries, facts, now), strict=True)
        if entry.animal_id is not None or entry.clutch_id is not None
    ]


def _one(
    session: Session, facts: RoomFacts, entry: JournalEntry, view: EntryView, species: dict[int, str]
) -> WentWrong:
    name, address = view.about[0]
    if entry.animal_id is None:
        return WentWrong(view, name, address, f"/look-back?{urlencode({'clutch': name})}", 0)
    there = species[entry.animal_id]
    span = span_noted(session, facts, entry, there)
    asked = urlencode({"animal": name, "from": span.first.isoformat(), "to": span.last.isoformat()})
    return WentWrong(view, name, address, f"/look-back?{asked}", lag_days(session, there, entry.kind))
