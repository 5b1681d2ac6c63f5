"""The site, its rooms and enclosures, and their daily programmes."""

from datetime import time

from sqlalchemy import JSON, Column
from sqlmodel import Field, SQLModel

from service.model.base import DatedFact, Keyed

ZONES = ("basking", "warm-end", "cool-end", "canopy", "ambient", "substrate", "retreat", "egg-chamber", "outside")


class Site(SQLModel, table=True):
    """The one place that this store is about."""

    id: int = Field(default=1, primary_key=True)
    name: str
    timezone: str


class Room(Keyed, table=True):
    """A room of enclosures."""

    name: str


class Enclosure(Keyed, table=True):
    """One enclosure, with its place in the racks (column = slot, row = level)."""

    name: str
    room_id: int = Field(foreign_key="room.id", index=True)
    rack: str | None = None
    level: int | None = None
    slot: int | None = None


class LightSchedule(DatedFact, table=True):
    """When the lights of an enclosure are on, by the site's wall clock."""

    __tablename__ = "light_schedule"  # pyright: ignore[reportAssignmentType]

    enclosure_id: int = Field(foreign_key="enclosure.id", index=True)
    on: time
    off: time


class MistingSchedule(DatedFact, table=True):
    """The misting cycles of a day: ``[["08:00", 45], …]``, wall-clock time and seconds."""

    __tablename__ = "misting_schedule"  # pyright: ignore[reportAssignmentType]

    enclosure_id: int = Field(foreign_key="enclosure.id", index=True)
    cycles: list[tuple[str, int]] = Field(sa_column=Column(JSON, nullable=False))
