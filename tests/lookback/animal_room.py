"""A room with two animals of one species, of which one moved and fell ill, and eggs in a third enclosure."""

from datetime import datetime, time

import numpy as np
from past_room import AMBIENT, BASKING, CLOCK, HUMIDITY, LONG_AGO, PROFILE, climate, facts_of, instant, ms, put, rows_of
from sqlmodel import Session

from service.lookback.bodies import Body
from service.lookback.lives.asking import Question, answer
from service.model import Animal, Enclosure, LightSchedule, MistingSchedule, Profile, ProfileAssignment, ProfileVersion
from service.store.animals import add_animal, house
from service.store.clutches import ClutchTerms, NewClutch, add_clutch
from service.store.engine import Store
from service.store.journal import NewEntry, add_entry
from tests.builders import a_probe, a_site

WELL, COLD, EGGS = 1, 2, 3
"""Ids of the enclosures: in the second one the basking lamp is dead."""
MOVED, ILL = 20, 28
"""Days, counted from the first."""
DAYS = 30
KEEPER = "the keeper"
LIZARD = "Lacerta exempli"
_ENTERED = {"from_at": LONG_AGO, "entered_by": KEEPER, "entered_at": LONG_AGO}


def furnish_animals(store: Store) -> None:
    """Amber lived well for 20 days, then 8 in the cold enclosure, and fell ill; Basil stays where it is well."""
    with store.write() as session:
        a_site(session)
        session.add(Profile(key="sun", species=LIZARD))
        session.flush()
        session.add(ProfileVersion(profile_id=1, version=1, body=PROFILE, **_ENTERED))
        for key in ("well", "cold", "eggs"):
            _enclosure(session, key)
        amber = add_animal(session, "Amber", LIZARD, 1, KEEPER, instant(0))
        basil = add_animal(session, "Basil", LIZARD, 1, KEEPER, instant(0))
        for animal in (amber, basil):
            house(session, _id(animal), WELL, instant(-40), KEEPER, instant(0))
        house(session, _id(amber), COLD, instant(MOVED, 12), KEEPER, instant(MOVED, 13))
        for day in (10, 13, 16, 19):
            _note(session, "fed", _id(amber), instant(day, 18))
        _note(session, "refused-food", _id(amber), instant(25, 18))
        _note(session, "illness", _id(amber), instant(ILL, 9), "apathetic, =SUM(A1)")
        terms = ClutchTerms(8, 15.0, 150.0, 180.0, "made up for this test")
        add_clutch(session, NewClutch("A1", LIZARD, instant(10), terms, EGGS, mother_id=amber.id), KEEPER, instant(12))
    _live(store)


def _id(animal: Animal) -> int:
    return animal.id or 0


def _note(session: Session, kind: str, animal: int, at: datetime, note: str = "") -> None:
    add_entry(session, NewEntry(kind, at, animal_id=animal, note=note), KEEPER, at)


def _enclosure(session: Session, key: str) -> None:
    row = Enclosure(key=key, name=f"The {key} one", room_id=1)
    session.add(row)
    session.flush()
    fact = {"enclosure_id": row.id} | _ENTERED
    session.add(LightSchedule(on=time(7), off=time(19), **fact))
    session.add(MistingSchedule(cycles=[("12:00", 45)], **fact))
    if key == "eggs":
        a_probe(session, "eggs", ("air_temperature",), row, "egg-chamber", every_s=600)
        return
    session.add(ProfileAssignment(profile_id=1, **fact))
    a_probe(session, f"{key}-spot", ("surface_temperature",), row, "basking", model="ds18b20", every_s=300)
    a_probe(session, f"{key}-top", ("air_temperature", "relative_humidity"), row, "ambient", every_s=300)


def _live(store: Store) -> None:
    at = np.arange(ms(0), ms(DAYS), 300_000, dtype=np.int64)
    said = climate(at, ms(0))
    well = {channel: said[channel] for channel in (BASKING, AMBIENT, HUMIDITY)}
    # In the cold one the lamp is dead from the tenth day on.
    lamp = np.where(at >= ms(10), 24.0 + 0.01 * (at // 60_000 % 7), said[BASKING])
    cold = {channel + 3: values for channel, values in (well | {BASKING: lamp}).items()}
    put(store, rows_of(well | cold, at))
    eggs = np.arange(ms(0), ms(DAYS), 600_000, dtype=np.int64)
    put(store, [(7, int(t), 25.0, CLOCK) for t in eggs])


def told(store: Store, name: str = "Amber", now: datetime | None = None, kind: str = "animal", **asked: str) -> Body:
    """Return a look-back as of two days after the last reading, or when the test says."""
    return answer(store, facts_of(store), Question(kind, name, **asked), now or instant(DAYS + 2))


def part(report: Body, title: str) -> str:
    """Return a part of the summary as one text."""
    return "\n".join(s for one in report["summary"]["parts"] if one["title"] == title for s in one["sentences"])
