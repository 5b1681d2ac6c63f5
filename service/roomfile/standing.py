"""What the store holds now, by key: the other half of a comparison with a room file."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session, SQLModel, select

from service.model import CareTask, DatedFact, Enclosure, Profile, ProfileVersion, table_of
from service.roomfile.kinds import FACTS, THINGS, FactKind, ThingKind
from service.roomfile.timeline import Stored
from service.store.care import care_tasks
from service.store.facts import current


@dataclass(frozen=True)
class StandingThing:
    """A thing that is stored, retired or not; `values` with keys in the place of ids."""

    values: dict[str, Any]
    retired_at: datetime | None


@dataclass(frozen=True)
class StandingFact:
    """A row that counts, with its owner's key."""

    owner: str | int
    stored: Stored


@dataclass(frozen=True)
class StandingTask:
    """A care task that stands, with its enclosure's key; None: the whole site."""

    id: int
    what: str
    enclosure: str | None
    every_days: float
    first_due: datetime


@dataclass(frozen=True)
class Standing:
    """Everything that the store holds of what a room file speaks of.

    Attributes
    ----------
    things : mapping of table to things by key
    facts : mapping of table to rows that count
    newest_version : mapping of profile to number
        The highest number that a version of it ever had.
    care : sequence of StandingTask
        The care tasks that stand, in order of entry.
    """

    things: Mapping[type[SQLModel], Mapping[str | int, StandingThing]]
    facts: Mapping[type[DatedFact], Sequence[StandingFact]]
    newest_version: Mapping[str | int, int]
    care: Sequence[StandingTask]


def load_standing(session: Session) -> Standing:
    """Load what the store holds, each kind in order of entry."""
    keys: dict[type[SQLModel], dict[int, str | int]] = {}
    things: dict[type[SQLModel], dict[str | int, StandingThing]] = {}
    for kind in THINGS:
        rows = session.exec(select(kind.model).order_by(table_of(kind.model).c.id)).all()
        keys[kind.model] = {id_of(row): getattr(row, kind.key) for row in rows}
        things[kind.model] = {getattr(row, kind.key): _thing(kind, row, keys) for row in rows}
    facts = {kind.model: [_fact(kind, row, keys) for row in current(session, kind.model)] for kind in FACTS}
    newest: dict[str | int, int] = {}
    for version in session.exec(select(ProfileVersion)):
        profile = keys[Profile][version.profile_id]
        newest[profile] = max(version.version, newest.get(profile, 0))
    return Standing(things, facts, newest, [_task(row, keys[Enclosure]) for row in care_tasks(session)])


def _task(row: CareTask, enclosures: Mapping[int, str | int]) -> StandingTask:
    place = None if row.enclosure_id is None else str(enclosures[row.enclosure_id])
    return StandingTask(id_of(row), row.kind, place, row.every_days, row.first_due)


def _thing(kind: ThingKind, row: SQLModel, keys: Mapping[type[SQLModel], Mapping[int, str | int]]) -> StandingThing:
    values = {column: getattr(row, column) for column in kind.columns}
    for column, model in kind.references.items():
        values[column] = keys[model][values[column]]
    return StandingThing(values, getattr(row, "retired_at", None))


def _fact(kind: FactKind, row: DatedFact, keys: Mapping[type[SQLModel], Mapping[int, str | int]]) -> StandingFact:
    values = {column: _plain(getattr(row, column)) for column in kind.columns}
    for column, model in kind.references.items():
        values[column] = keys[model][values[column]]
    owner = keys[kind.owner.model][getattr(row, kind.owner_column)]
    carried = {column: getattr(row, column) for column in kind.carried}
    return StandingFact(owner, Stored(id_of(row), values, row.from_at, row.until_at, carried))


def id_of(row: SQLModel) -> int:
    """Return the id of a stored row."""
    identity = getattr(row, "id", None)
    if not isinstance(identity, int):
        raise TypeError(f"{row!r} is not stored yet")
    return identity


def _plain(value: Any) -> Any:  # noqa: ANN401 - a column's value
    """Return lists for tuples: as the database gives them back."""
    return [_plain(item) for item in value] if isinstance(value, list | tuple) else value
