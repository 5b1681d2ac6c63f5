"""Animals, and where they live since when: entered, moved, and corrected without losing what stood before."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import sqlalchemy as sa
from sqlmodel import Session, select

from sensors.quantities import nearest
from service.errors import BadUse, NotFound, Refused
from service.model import Animal, Change, Enclosure, Housing, table_of, to_ms
from service.store.dated import counting, replace, standing, versions, withdraw
from service.store.facts import Since, current
from service.store.names import findable, tidy_name
from service.store.readings import END_OF_TIME

MOST_MEMBERS: Final = 10_000
_ANIMAL, _HOUSING = table_of(Animal), table_of(Housing)


@dataclass(frozen=True, slots=True)
class HousingFact(Since):
    """An animal in an enclosure in [start_ms, end_ms)."""

    id: int
    enclosure_id: int
    entered_by: str
    entered_ms: int


@dataclass(frozen=True, slots=True)
class AnimalFact:
    """An animal, or a group, with its housings in order of time."""

    id: int
    name: str
    species: str
    members: int
    retired_ms: int | None
    housings: tuple[HousingFact, ...]

    def housing_at(self, at_ms: int) -> HousingFact | None:
        """Return where it lived at that time; None where nothing was entered."""
        return next((h for h in reversed(self.housings) if h.holds_at(at_ms)), None)


def span_of(row: Housing) -> tuple[int, int]:
    """Return when a housing holds, [start, end). [ms, UTC]."""
    return to_ms(row.from_at), END_OF_TIME if row.until_at is None else to_ms(row.until_at)


def _fact(row: Housing) -> HousingFact:
    return HousingFact(*span_of(row), row.id or 0, row.enclosure_id, row.entered_by, to_ms(row.entered_at))


def _animal_fact(row: Animal, housings: Iterable[Housing]) -> AnimalFact:
    retired = None if row.retired_at is None else to_ms(row.retired_at)
    return AnimalFact(
        row.id or 0, row.name, row.species, row.members, retired, tuple(_fact(housing) for housing in housings)
    )


def load_animals(session: Session) -> list[AnimalFact]:
    """Return every animal, those that are gone too, by name."""
    housings: dict[int, list[Housing]] = {}
    for housing in current(session, Housing):
        housings.setdefault(housing.animal_id, []).append(housing)
    rows = session.exec(select(Animal)).all()
    return sorted((_animal_fact(row, housings.get(row.id or 0, ())) for row in rows), key=lambda a: a.name.casefold())


def animal_named(session: Session, name: str) -> AnimalFact:
    """Return an animal by its name.

    Raises
    ------
    NotFound
        When there is none; the sentence names the nearest one.
    """
    wanted = findable(name)
    row = session.exec(select(Animal).where(_ANIMAL.c.name == wanted)).first()
    if row is None:
        known = list(session.execute(sa.select(_ANIMAL.c.name)).scalars())
        hint = nearest(name, known) if known else "no animal was entered yet"
        raise NotFound(f"there is no animal '{name[:80]}': {hint[:200]}")
    return _animal_fact(row, counting(versions(session, Housing, animal_id=row.id or 0)))


def add_animal(session: Session, name: str, species: str, members: int, by: str, now: datetime) -> Animal:
    """Enter an animal, or a group of `members`.

    Raises
    ------
    BadUse
        A name or a number that cannot be.
    Refused
        The name is taken: look-backs are asked for by it.
    """
    name, species = tidy_name(name), tidy_name(species, "species")
    if not 1 <= members <= MOST_MEMBERS:
        raise BadUse(f"members: {members} is none; give 1 for an animal, more for a group")
    if session.execute(sa.select(_ANIMAL.c.id).where(_ANIMAL.c.name == name)).first():
        raise Refused(f"there is an animal '{name}' already; give each its own name, such as '{name} 2'")
    animal = Animal(name=name, species=species, members=members)
    session.add(animal)
    session.flush()
    _journal(session, animal, by, now, None, {"species": species, "members": members})
    return animal


def rename_animal(
    session: Session, animal_id: int, name: str, species: str, by: str, now: datetime, members: int | None = None
) -> Animal:
    """Give an animal another name or species, or say how many it was; what was before stands in the journal of changes.

    Raises
    ------
    BadUse, Refused
        As `add_animal`.
    """
    animal = session.get_one(Animal, animal_id)
    name, species = tidy_name(name), tidy_name(species, "species")
    taken = session.execute(sa.select(_ANIMAL.c.id).where(_ANIMAL.c.name == name, _ANIMAL.c.id != animal_id)).first()
    if taken:
        raise Refused(f"there is an animal '{name}' already; give each its own name, such as '{name} 2'")
    many = animal.members if members is None else members
    if not 1 <= many <= MOST_MEMBERS:
        raise BadUse(f"members: {many} is none; give 1 for an animal, more for a group")
    before = {"name": animal.name, "species": animal.species, "members": animal.members}
    after = {"name": name, "species": species, "members": many}
    animal.name, animal.species, animal.members = name, species, many
    session.add(animal)
    _journal(session, animal, by, now, before, after)
    return animal


def house(session: Session, animal_id: int, enclosure_id: int, at: datetime, by: str, now: datetime) -> Housing:
    """Move an animal into an enclosure: where it lived until then ends at that instant.

    Raises
    ------
    BadUse
        The instant lies in the future.
    Refused
        It lives there already, or moved since: then a housing is to be corrected.
    """
    animal = session.get_one(Animal, animal_id)
    if at > now:
        raise BadUse(f"{animal.name} cannot have moved at a time that is still to come")
    rows = counting(versions(session, Housing, animal_id=animal_id))
    holding = [row for row in rows if row.until_at is None or row.until_at > at]
    if any(row.from_at >= at for row in holding):
        raise Refused(f"{animal.name} moved at or after that time already; correct that housing instead")
    for row in holding:
        if row.enclosure_id == enclosure_id:
            raise Refused(f"{animal.name} lives there already")
        replace(session, row, by, now, until_at=at)
    new = Housing(animal_id=animal_id, enclosure_id=enclosure_id, from_at=at, entered_by=by, entered_at=now)
    session.add(new)
    session.flush()
    _journal(session, animal, by, now, None, {"enclosure": enclosure_id, "from": at.isoformat()})
    return new


def correct_housing(
    session: Session,
    housing_id: int,
    enclosure_id: int,
    span: tuple[datetime, datetime | None],
    by: str,
    now: datetime,
) -> Housing:
    """Put right where an animal lived or since when; the housing as it was entered before stays, and is shown.

    Raises
    ------
    BadUse
        The span is empty.
    Refused
        It would put the animal into two enclosures at one time, or was corrected meanwhile.
    """
    row = standing(session, Housing, housing_id, "housing")
    start, end = span
    if end is not None and end <= start:
        raise BadUse("a housing ends after it begins: look at the two times")
    others = [h for h in counting(versions(session, Housing, animal_id=row.animal_id)) if h.id != row.id]
    refuse_two_places(session, row.animal_id, others, (start, end))
    return replace(session, row, by, now, enclosure_id=enclosure_id, from_at=start, until_at=end)


def add_past_housing(
    session: Session, animal_id: int, enclosure_id: int, span: tuple[datetime, datetime | None], by: str, now: datetime
) -> Housing:
    """Enter where an animal lived before, in a time of which nothing is known yet.

    Raises
    ------
    BadUse, Refused
        As `correct_housing`.
    """
    start, end = span
    if end is not None and end <= start:
        raise BadUse("a housing ends after it begins: look at the two times")
    if start > now:
        raise BadUse("a housing begins in the past or now")
    refuse_two_places(session, animal_id, counting(versions(session, Housing, animal_id=animal_id)), span)
    new = Housing(
        animal_id=animal_id, enclosure_id=enclosure_id, from_at=start, until_at=end, entered_by=by, entered_at=now
    )
    session.add(new)
    session.flush()
    return new


def withdraw_housing(session: Session, housing_id: int, by: str, now: datetime) -> None:
    """Take back a housing that never was; it stays in the store."""
    withdraw(session, standing(session, Housing, housing_id, "housing"), by, now)


def refuse_two_places(
    session: Session, animal_id: int, others: Sequence[Housing], span: tuple[datetime, datetime | None]
) -> None:
    """Raise Refused when the animal lives elsewhere at any time of a span."""
    start, end = to_ms(span[0]), END_OF_TIME if span[1] is None else to_ms(span[1])
    for other in others:
        first, last = span_of(other)
        if first < end and start < last:
            name = session.get_one(Animal, animal_id).name
            there = session.get_one(Enclosure, other.enclosure_id).name
            raise Refused(
                f"{name} would be in two enclosures at one time: it lived in {there} from "
                f"{other.from_at:%Y-%m-%d %H:%M} UTC"
                + (f" until {other.until_at:%Y-%m-%d %H:%M} UTC" if other.until_at else " on")
                + "; correct that housing first"
            )


def leave(session: Session, animal_id: int, at: datetime, by: str, now: datetime) -> None:
    """End an animal's housing, and its life here: it died, or was given away. Its past stays."""
    animal = session.get_one(Animal, animal_id)
    for row in counting(versions(session, Housing, animal_id=animal_id)):
        if (row.until_at is None or row.until_at > at) and row.from_at < at:
            replace(session, row, by, now, until_at=at)
        elif row.from_at >= at:
            withdraw(session, row, by, now)
    animal.retired_at = at
    session.add(animal)
    _journal(session, animal, by, now, None, {"gone": at.isoformat()})


def stay(session: Session, animal_id: int, gone_at: datetime, by: str, now: datetime) -> None:
    """Undo `leave`: the housing that ended then goes on."""
    animal = session.get_one(Animal, animal_id)
    for row in counting(versions(session, Housing, animal_id=animal_id)):
        if row.until_at == gone_at:
            replace(session, row, by, now, until_at=None)
    animal.retired_at = None
    session.add(animal)


def require_of(session: Session, animal: AnimalFact, housing_id: int) -> None:
    """Raise NotFound when a housing is none of that animal."""
    row = session.get(Housing, housing_id)
    if row is None or row.animal_id != animal.id:
        raise NotFound(f"{animal.name} has no housing {housing_id}")


def neighbours(animals: Iterable[AnimalFact], animal: AnimalFact) -> list[AnimalFact]:
    """Return the other animals of its species."""
    key = animal.species.casefold()
    return [other for other in animals if other.id != animal.id and other.species.casefold() == key]


def living_in(animals: Iterable[AnimalFact], enclosure_id: int, at_ms: int) -> list[AnimalFact]:
    """Return who lives in an enclosure at an instant."""
    return [a for a in animals if (h := a.housing_at(at_ms)) is not None and h.enclosure_id == enclosure_id]


def _journal(session: Session, animal: Animal, by: str, now: datetime, before: dict | None, after: dict | None) -> None:
    session.add(Change(at=now, by=by, subject=f"animal {animal.name}", before=before, after=after))
