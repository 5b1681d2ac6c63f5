"""Notes something in the journal; when something went wrong, the readings of the time before are kept for good."""

from datetime import datetime

import sqlalchemy as sa
from sqlmodel import Session

from service.lookback.lives.asking import span_before
from service.lookback.lives.stays import Life, life_of_animal, life_of_clutch
from service.lookback.spans import LookbackSpan
from service.model import Clutch, JournalEntry, PinnedSpan, from_ms, table_of
from service.store.animals import load_animals
from service.store.clutches import clutch_named
from service.store.facts import RoomFacts
from service.store.journal import KINDS, NewEntry, add_entry
from service.store.lag_windows import lag_days

_PIN = table_of(PinnedSpan)


def note(session: Session, facts: RoomFacts, new: NewEntry, by: str, now: datetime) -> JournalEntry:
    """Note something; of an illness, a death or a failed clutch pin the readings of the span that is looked back at.

    Raises
    ------
    BadUse, Refused
        As `service.store.journal.add_entry`.
    """
    entry = add_entry(session, new, by, now)
    if KINDS[entry.kind].is_event:
        pin_before(session, facts, entry, by, now)
    return entry


def life_noted(session: Session, facts: RoomFacts, entry: JournalEntry) -> Life | None:
    """Return whose life an entry is about; None where it is about an enclosure alone."""
    if entry.animal_id is not None:
        return next((life_of_animal(facts, a) for a in load_animals(session) if a.id == entry.animal_id), None)
    if entry.clutch_id is not None:
        return life_of_clutch(facts, clutch_named(session, session.get_one(Clutch, entry.clutch_id).name))
    return None


def span_noted(session: Session, facts: RoomFacts, entry: JournalEntry, species: str) -> LookbackSpan:
    """Return the span before an event that its keeper looks back at."""
    return span_before(entry.from_at, lag_days(session, species, entry.kind), facts.zone)


def pin_before(session: Session, facts: RoomFacts, entry: JournalEntry, by: str, now: datetime) -> int:
    """Pin what was measured before an event wherever the animal or the clutch was; return how many spans."""
    life = life_noted(session, facts, entry)
    if life is None:
        return 0
    span = span_noted(session, facts, entry, life.species)
    reason = f"{KINDS[entry.kind].words}: {life.name}, {entry.from_at:%Y-%m-%d}"
    pinned = 0
    # Of eggs everything since they were laid counts.
    laid = min((stay.start_ms for stay in life.stays), default=span.start_ms)
    start = span.start_ms if entry.clutch_id is None else min(span.start_ms, laid)
    for stay in life.within(start, span.end_ms):
        what = {
            "enclosure_id": stay.enclosure.id, "from_at": from_ms(stay.start_ms), "until_at": from_ms(stay.end_ms),
            "reason": reason,
        }  # fmt: skip
        known = sa.select(_PIN.c.id).where(*(_PIN.c[name] == value for name, value in what.items()))
        if session.execute(known).first() is None:
            session.add(PinnedSpan(channel_id=None, entered_by=by, entered_at=now, **what))
            pinned += 1
    return pinned
