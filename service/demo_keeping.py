"""What the invented keeper of the demo noted: feedings, weights, an ill animal, eggs."""

from datetime import datetime, timedelta
from typing import Final

from sqlmodel import Session

from service.api.journal_events import note
from service.store.animals import AnimalFact, load_animals
from service.store.clutches import ClutchTerms, NewClutch, add_clutch
from service.store.engine import Store
from service.store.facts import load_facts
from service.store.journal import NewEntry

KEEPER: Final = "a keeper of the demo"
ILL: Final = "Nettle"
"""It lived two days without heat, where a lamp had died, before it was moved twelve days ago."""
COLD: Final = "rack-b-2-3"
MOTHER: Final = "Thyme"
_MEAL_DAYS: Final = {"Dendrobates": 2, "Phelsuma": 2, "Correlophus": 3, "Pogona": 2, "Eublepharis": 4}
_USUAL_MEAL_DAYS: Final = 7
_EVENING: Final = timedelta(hours=18, minutes=20)


def note_keeping(store: Store, now: datetime, days: int) -> None:
    """Enter what was noted in the days before now.

    Parameters
    ----------
    store : Store
        With its room and its animals.
    now : datetime
    days : int
        Of history.
    """
    with store.write() as session:
        midnight = now.replace(hour=0, minute=0, second=0, microsecond=0)
        for number, animal in enumerate(load_animals(session)):
            _feed(session, animal, number, midnight, days)
        _illness(session, now, midnight)
        _eggs(session, midnight, days)


def _note(
    session: Session, kind: str, at: datetime, animal: AnimalFact, value: float | None = None, said: str = ""
) -> None:
    new = NewEntry(kind, at, animal_id=animal.id, value=value, note=said)
    note(session, load_facts(session), new, KEEPER, at + timedelta(minutes=2))


def _feed(session: Session, animal: AnimalFact, number: int, midnight: datetime, days: int) -> None:
    every = _MEAL_DAYS.get(animal.species.split()[0], _USUAL_MEAL_DAYS)
    last = 16 if animal.name == ILL else 1
    for ago in range(days - number % every, last - 1, -every):
        _note(session, "fed", midnight - timedelta(days=ago) + _EVENING, animal)
    weight = 205.0 if animal.name == ILL else 3.5 + 40.0 * (number % 7)
    _note(session, "weight", midnight - timedelta(days=max(1, days - 3)) + _EVENING, animal, round(weight, 1))


def _illness(session: Session, now: datetime, midnight: datetime) -> None:
    ill = next((one for one in load_animals(session) if one.name == ILL), None)
    if ill is None:
        return
    for ago in (9, 2):
        _note(session, "refused-food", midnight - timedelta(days=ago) + _EVENING, ill)
    _note(session, "weight", midnight - timedelta(days=2) + _EVENING, ill, 178.0)
    facts = load_facts(session)
    changed, where = midnight - timedelta(days=23) + timedelta(hours=9, minutes=25), facts.by_key.get(COLD)
    if where is not None and changed < now:
        said = "the basking lamp had burnt out; the new one is lit"
        new = NewEntry("lamp-changed", changed, enclosure_id=where.id, note=said)
        note(session, facts, new, KEEPER, changed + timedelta(minutes=5))
    seen = min(midnight - timedelta(days=1) + timedelta(hours=8, minutes=10), now - timedelta(hours=1))
    _note(
        session, "illness", seen, ill, said="breathes with its mouth open, bubbles at the nostrils; veterinarian called"
    )


def _eggs(session: Session, midnight: datetime, days: int) -> None:
    mother = next((one for one in load_animals(session) if one.name == MOTHER), None)
    if mother is None or not mother.housings or days < 3:  # noqa: PLR2004 - too short a history for eggs
        return
    laid = midnight - timedelta(days=min(20, days - 1)) + timedelta(hours=9)
    there = mother.housings[-1].enclosure_id
    # Invented for the demo: the page asks each keeper for their own, with its source.
    terms = ClutchTerms(6, 15.0, 420.0, 520.0, "invented for the demo")
    new = NewClutch(f"{MOTHER} 1", mother.species, laid, terms, there, "cool-end", mother.id)
    _note(session, "laid", laid, mother, 6.0)
    add_clutch(session, new, KEEPER, laid + timedelta(hours=1))
