"""What people did in an enclosure over a span, as marks on its charts: notes, animals that moved, equipment, care."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from sqlmodel import Session

from dashboard.words import number
from service.model import from_ms, to_ms
from service.store.animals import load_animals
from service.store.care import done_between, equipment_installed
from service.store.facts import EnclosureFact
from service.store.journal import KINDS, About, entries_within

_MOST: Final = 300
"""More marks than so many hide each other."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark: when [ms, UTC], of which kind (``note``, ``animal``, ``equipment``, ``care``), and a sentence."""

    at_ms: int
    kind: str
    sentence: str


def marks_in(session: Session, enclosure: EnclosureFact, start_ms: int, end_ms: int) -> list[Mark]:
    """Return what was done in an enclosure in [start, end), in order of time [ms, UTC]."""
    found = [
        *_of_animals(session, enclosure, start_ms, end_ms),
        *_of_care(session, enclosure, start_ms, end_ms),
        *_noted(session, About(None, None, enclosure.id), start_ms, end_ms, ""),
    ]
    return sorted(dict.fromkeys(found), key=lambda mark: mark.at_ms)[-_MOST:]


def _of_animals(session: Session, enclosure: EnclosureFact, start_ms: int, end_ms: int) -> Iterator[Mark]:
    for animal in load_animals(session):
        housings = [one for one in animal.housings if one.enclosure_id == enclosure.id and one.meets(start_ms, end_ms)]
        for one in housings:
            if start_ms <= one.start_ms < end_ms:
                yield Mark(one.start_ms, "animal", f"{animal.name} came in")
            if start_ms <= one.end_ms < end_ms:
                yield Mark(one.end_ms, "animal", f"{animal.name} left")
        for one in housings:
            span = max(start_ms, one.start_ms), min(end_ms, one.end_ms)
            yield from _noted(session, About(animal.id, None, None), *span, f"{animal.name} ")


def _noted(session: Session, about: About, start_ms: int, end_ms: int, subject: str) -> Iterator[Mark]:
    for entry in entries_within(session, from_ms(start_ms), from_ms(end_ms), about, _MOST):
        if not subject and entry.animal_id is not None:
            continue  # told with its animal
        words = KINDS[entry.kind].words if entry.kind in KINDS else entry.kind
        value = "" if entry.value is None else f" {number(entry.value, KINDS[entry.kind].unit or '')}"
        said = f"{subject}{words}{value}" + (f": {entry.note}" if entry.note else "") + f" ({entry.entered_by})"
        yield Mark(to_ms(entry.from_at), "note", said[0].upper() + said[1:])


def _of_care(session: Session, enclosure: EnclosureFact, start_ms: int, end_ms: int) -> Iterator[Mark]:
    start, end = from_ms(start_ms), from_ms(end_ms)
    for piece in equipment_installed(session, enclosure.id, start, end):
        yield Mark(to_ms(piece.from_at), "equipment", f"New {piece.kind} ({piece.entered_by})")
    for done in done_between(session, start, end, enclosure.id, _MOST):
        what = f"UV index {number(done.value, 'UV index')} measured" if done.kind == "uv-index" else done.kind
        said = f"{what}" + (f": {done.note}" if done.note else "") + f" ({done.by})"
        yield Mark(to_ms(done.at), "care", said[0].upper() + said[1:])
