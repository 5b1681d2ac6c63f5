"""Planned changes: each in words for people, and as rows for the store."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal, TypeAlias

from sqlmodel import SQLModel

from service.model import DatedFact
from service.roomfile.kinds import ThingKind

Action: TypeAlias = Literal["added", "changed", "ended", "retired"]


@dataclass(frozen=True)
class PutThing:
    """Enter a thing, or change it; `values` hold keys in the place of ids. `retired_at` None means that it stands."""

    kind: ThingKind
    key: str | int
    values: Mapping[str, Any]
    is_new: bool
    retired_at: datetime | None = None


@dataclass(frozen=True)
class PutFact:
    """Enter a row of a dated table; `references` say of which table each key in `values` is."""

    model: type[DatedFact]
    values: Mapping[str, Any]
    references: Mapping[str, type[SQLModel]]
    from_at: datetime
    until_at: datetime | None
    replaces_id: int | None = None
    withdrawn: bool = False


@dataclass(frozen=True)
class PutTask:
    """Enter a care task (`id` None), change it, or let it no longer come due; `enclosure` is a key."""

    id: int | None
    what: str
    enclosure: str | None
    every_days: float
    first_due: datetime
    is_retired: bool = False


@dataclass(frozen=True)
class PlannedChange:
    """One change, in words and as rows.

    Attributes
    ----------
    action : str
        ``added``, ``changed``, ``ended`` or ``retired``.
    subject : str
        The thing that it is about, as in ``enclosure "rack-a-3"``.
    sentence : str
        What happens, complete in itself; it never shows a contact's route.
    before, after : dict or None
        For the journal of changes.
    rows : tuple
        What is written.
    """

    action: Action
    subject: str
    sentence: str
    before: dict[str, Any] | None = field(repr=False)
    after: dict[str, Any] | None = field(repr=False)
    rows: tuple[PutThing | PutFact | PutTask, ...] = field(repr=False)


@dataclass(frozen=True)
class Plan:
    """Every change that applying a room file makes; empty when the store is as the file says."""

    changes: tuple[PlannedChange, ...]

    @property
    def sentences(self) -> tuple[str, ...]:
        """What happens, one sentence a change."""
        return tuple(change.sentence for change in self.changes)

    def __bool__(self) -> bool:
        """Whether anything changes."""
        return bool(self.changes)
