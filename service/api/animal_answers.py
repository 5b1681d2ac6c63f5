"""The shapes of what is answered and taken about animals, their journal and their clutches."""

from collections.abc import Iterable, Mapping
from typing import Annotated, Final, Literal

from fastapi import Path, Query
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, WithJsonSchema
from sqlmodel import Session

from service.api.answers import Answer, At
from service.api.requests import IsoInstant, ZoneName
from service.model import Animal, DatedFact, Housing, JournalEntry, from_ms
from service.store.animals import MOST_MEMBERS, AnimalFact
from service.store.clutches import MOST_EGGS, ClutchFact
from service.store.facts import RoomFacts
from service.store.journal import KINDS, kind_named, names_of
from service.store.names import LONGEST_NAME, LONGEST_NOTE
from service.store.readings import END_OF_TIME

_LARGEST_ID: Final = 2**53 - 1
NameIn = Annotated[str, StringConstraints(min_length=1, max_length=LONGEST_NAME)]
NoteText = Annotated[str, StringConstraints(max_length=LONGEST_NOTE)]
Named = Annotated[str, Path(max_length=LONGEST_NAME, description="The animal's, or the clutch's, name.")]
FactId = Annotated[int, Path(ge=1, le=_LARGEST_ID)]
NumberCursor = Annotated[str | None, Query(pattern=r"^[1-9][0-9]{0,14}$", description="`next` of the page before.")]
KindName = Annotated[
    str, AfterValidator(lambda key: kind_named(key).key), WithJsonSchema({"type": "string", "enum": list(KINDS)})
]
OutcomeName = Literal["hatched", "partly hatched", "failed"]


class Taken(BaseModel):
    """What every body shares: a key that nobody knows is refused."""

    model_config = ConfigDict(extra="forbid")


class AnimalIn(Taken):
    """An animal, or a group, and where it lives."""

    name: NameIn
    species: NameIn
    members: Annotated[int, Field(ge=1, le=MOST_MEMBERS, strict=True)] = 1
    enclosure: Annotated[str | None, Field(max_length=64)] = None
    since: IsoInstant | None = Field(None, description="When it came there; default: now.")


class HousingIn(Taken):
    """Where an animal lives, and since when; with `until` where it lived."""

    enclosure: Annotated[str, Field(max_length=64)]
    since: IsoInstant
    until: IsoInstant | None = None


class EntryIn(Taken):
    """What is noted; an animal, a clutch or an enclosure says what it is about."""

    kind: KindName
    at: IsoInstant | None = Field(None, description="Default: now.")
    animal: NameIn | None = None
    clutch: NameIn | None = None
    enclosure: Annotated[str | None, Field(max_length=64)] = None
    value: float | None = Field(None, description="A weight in g; of a group how many; of a laying how many eggs.")
    note: NoteText = ""


class EntryChange(Taken):
    """What an entry should have said; or that it should not have been made."""

    at: IsoInstant | None = Field(None, description="Default: as it was.")
    value: float | None = None
    note: NoteText = ""
    withdrawn: Annotated[bool, Field(strict=True)] = False


class TermsIn(Taken):
    """What is known of a clutch."""

    laid: IsoInstant
    eggs: Annotated[int, Field(ge=1, le=MOST_EGGS, strict=True)]
    base: float | None = Field(None, description="Below it the eggs do not develop. [°C]")
    needed_low: float | None = Field(None, description="Degree-days from laying to hatching. [°C d]")
    needed_high: float | None = None
    basis: NoteText = Field("", description="Where those are from: a citation, or the keeper's own earlier clutches.")


class ClutchIn(TermsIn):
    """A clutch, and where it lies."""

    name: NameIn
    species: NameIn
    mother: NameIn | None = None
    enclosure: Annotated[str | None, Field(max_length=64)] = None
    zone: ZoneName = "egg-chamber"


class ClutchPlaceIn(Taken):
    """Where a clutch was put."""

    enclosure: Annotated[str, Field(max_length=64)]
    zone: ZoneName = "egg-chamber"
    at: IsoInstant | None = None


class OutcomeIn(Taken):
    """What came of a clutch."""

    outcome: OutcomeName
    hatched: Annotated[int | None, Field(ge=0, le=MOST_EGGS, strict=True)] = None
    at: IsoInstant | None = None


class HousingAnswer(Answer):
    """Where an animal lived; one that was corrected or taken back says so."""

    id: int
    enclosure: str
    from_: At = Field(alias="from")
    until: At | None
    entered_by: str
    entered_at: At
    replaces: int | None = Field(description="The number of the housing that this one corrects.")
    counts: bool = Field(description="False where it was corrected or taken back since.")


class AnimalAnswer(Answer):
    """An animal, or a group."""

    name: str
    species: str
    members: int = Field(description="How many it was when it was entered.")
    enclosure: str | None = Field(description="Where it lives now.")
    gone_at: At | None


class AnimalsAnswer(Answer):
    """A page of animals."""

    animals: list[AnimalAnswer]
    next: str | None


class AnimalDetail(AnimalAnswer):
    """An animal with every housing that was ever entered."""

    housings: list[HousingAnswer]


class EntryAnswer(Answer):
    """What was noted."""

    id: int
    kind: str
    at: At
    animal: str | None
    clutch: str | None
    enclosure: str | None
    value: float | None
    unit: str | None
    note: str
    entered_by: str
    entered_at: At
    replaces: int | None = Field(description="The number of the entry that this one corrects.")


class JournalAnswer(Answer):
    """A page of the journal, the newest first."""

    entries: list[EntryAnswer]
    next: str | None


class PlaceAnswer(Answer):
    """Where a clutch lay."""

    enclosure: str
    zone: str
    from_: At = Field(alias="from")
    until: At | None


class ClutchAnswer(Answer):
    """A clutch."""

    name: str
    species: str
    mother: str | None
    laid: At
    eggs: int
    base: float | None
    needed_low: float | None
    needed_high: float | None
    basis: str
    ended: At | None
    outcome: str | None
    hatched: int | None
    places: list[PlaceAnswer]


class ClutchesAnswer(Answer):
    """Every clutch, the one that was laid last first."""

    clutches: list[ClutchAnswer]


def enclosure_keys(facts: RoomFacts) -> dict[int, str]:
    """Return the keys of enclosures by their ids, those out of use too."""
    return {e.id: e.key for e in (*facts.enclosures.values(), *facts.retired.values())}


def animal_answer(animal: AnimalFact, keys: Mapping[int, str], now_ms: int) -> AnimalAnswer:
    """Return an animal as it stands now."""
    housing = animal.housing_at(now_ms)
    return AnimalAnswer(
        name=animal.name,
        species=animal.species,
        members=animal.members,
        enclosure=None if housing is None else keys[housing.enclosure_id],
        gone_at=None if animal.retired_ms is None else from_ms(animal.retired_ms),
    )


def housing_answers(rows: Iterable[Housing], keys: Mapping[int, str]) -> list[HousingAnswer]:
    """Return housings as they were entered, each with whether it still counts."""
    entered = list(rows)
    replaced = {row.replaces_id for row in entered}
    return [
        HousingAnswer(
            id=row.id or 0, enclosure=keys[row.enclosure_id], until=row.until_at, **_from(row),
            replaces=row.replaces_id, counts=not row.withdrawn and row.id not in replaced,
        )
        for row in entered
    ]  # fmt: skip


def _from(row: DatedFact) -> dict:
    return {"from": row.from_at, "entered_by": row.entered_by, "entered_at": row.entered_at}


def entry_answers(session: Session, rows: Iterable[JournalEntry], keys: Mapping[int, str]) -> list[EntryAnswer]:
    """Return entries of the journal."""
    found = list(rows)
    names = names_of(session, found)
    return [
        EntryAnswer(
            id=row.id or 0, kind=row.kind, at=row.from_at, animal=names.get(("animal", row.animal_id or 0)),
            clutch=names.get(("clutch", row.clutch_id or 0)), enclosure=keys.get(row.enclosure_id or 0),
            value=row.value, unit=KINDS[row.kind].unit if row.value is not None else None, note=row.note,
            entered_by=row.entered_by, entered_at=row.entered_at, replaces=row.replaces_id,
        )
        for row in found
    ]  # fmt: skip


def clutch_answer(session: Session, clutch: ClutchFact, keys: Mapping[int, str]) -> ClutchAnswer:
    """Return a clutch with its places."""
    mother = None if clutch.mother_id is None else session.get_one(Animal, clutch.mother_id).name
    terms = clutch.terms
    places = [
        PlaceAnswer(
            enclosure=keys[p.enclosure_id], zone=p.zone, until=None if p.end_ms == END_OF_TIME else from_ms(p.end_ms),
            **{"from": from_ms(p.start_ms)},
        )
        for p in clutch.places
    ]  # fmt: skip
    return ClutchAnswer(
        name=clutch.name, species=clutch.species, mother=mother, laid=from_ms(clutch.laid_ms), eggs=terms.eggs,
        base=terms.base, needed_low=terms.needed_low, needed_high=terms.needed_high, basis=terms.basis,
        ended=None if clutch.ended_ms is None else from_ms(clutch.ended_ms), outcome=clutch.outcome,
        hatched=clutch.hatched, places=places,
    )  # fmt: skip
