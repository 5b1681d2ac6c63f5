"""Animals and clutches, where they are housed, and what their keeper noted of them."""

from datetime import date, datetime
from typing import ClassVar

from sqlalchemy import Index, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.model.base import DatedFact, Instant


class Animal(SQLModel, table=True):
    """An animal, or a group that is kept as one: `members` is how many it was when it was entered."""

    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True, index=True)
    species: str
    members: int = Field(default=1, sa_column_kwargs={"server_default": "1"})
    retired_at: datetime | None = Field(default=None, sa_type=Instant)


class Housing(DatedFact, table=True):
    """An animal in an enclosure, from a time on."""

    animal_id: int = Field(foreign_key="animal.id", index=True)
    enclosure_id: int = Field(foreign_key="enclosure.id", index=True)


class Clutch(SQLModel, table=True):
    """Eggs that were laid together; what is known of them stands in its records."""

    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True, index=True)
    species: str
    mother_id: int | None = Field(default=None, foreign_key="animal.id", index=True)


class ClutchRecord(DatedFact, table=True):
    """What is known of a clutch: `from_at` is when it was laid, `until_at` when it hatched or failed.

    `base` is the temperature [°C] below which the eggs do not develop, `needed_low` and `needed_high` the degree-days
    [°C d] from laying to hatching; `basis` says where they are from.
    """

    __tablename__ = "clutch_record"  # pyright: ignore[reportAssignmentType]

    OUTCOMES: ClassVar[tuple[str, ...]] = ("hatched", "partly hatched", "failed")

    clutch_id: int = Field(foreign_key="clutch.id", index=True)
    eggs: int
    base: float | None = None
    needed_low: float | None = None
    needed_high: float | None = None
    basis: str = ""
    outcome: str | None = None
    hatched: int | None = None


class ClutchPlace(DatedFact, table=True):
    """A clutch in a zone of an enclosure (an egg chamber, an incubator), from a time on."""

    __tablename__ = "clutch_place"  # pyright: ignore[reportAssignmentType]

    clutch_id: int = Field(foreign_key="clutch.id", index=True)
    enclosure_id: int = Field(foreign_key="enclosure.id", index=True)
    zone: str = "egg-chamber"


class JournalEntry(DatedFact, table=True):
    """What a keeper noted, at `from_at`; it is about an animal, a clutch, an enclosure, or several of them.

    `value` is a weight [g], or how many of a group were born, died, came or were sold.
    """

    __tablename__ = "journal_entry"  # pyright: ignore[reportAssignmentType]
    __table_args__ = (Index("ix_journal_entry_from_at", "from_at"),)

    kind: str
    animal_id: int | None = Field(default=None, foreign_key="animal.id", index=True)
    clutch_id: int | None = Field(default=None, foreign_key="clutch.id", index=True)
    enclosure_id: int | None = Field(default=None, foreign_key="enclosure.id", index=True)
    value: float | None = None
    note: str = ""


class LagWindow(SQLModel, table=True):
    """How many days before an event of a species its keeper wants to look back."""

    __tablename__ = "lag_window"  # pyright: ignore[reportAssignmentType]
    __table_args__ = (UniqueConstraint("species", "kind"),)

    id: int | None = Field(default=None, primary_key=True)
    species: str
    kind: str
    days: int
    entered_by: str
    entered_at: datetime = Field(sa_type=Instant)


class VerdictChange(SQLModel, table=True):
    """A verdict of a day that came out otherwise when the day was assessed again; rows are only added."""

    __tablename__ = "verdict_change"  # pyright: ignore[reportAssignmentType]
    __table_args__ = (Index("ix_verdict_change_enclosure_id_day", "enclosure_id", "day"),)

    id: int | None = Field(default=None, primary_key=True)
    enclosure_id: int = Field(foreign_key="enclosure.id")
    day: date
    check: str
    before: str | None = None
    after: str | None = None
    reason: str
    noted_at: datetime = Field(sa_type=Instant)
