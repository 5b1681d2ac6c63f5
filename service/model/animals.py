"""Animals and where they are housed."""

from datetime import datetime

from sqlmodel import Field, SQLModel

from service.model.base import DatedFact, Instant


class Animal(SQLModel, table=True):
    """An animal, or a group that is kept as one."""

    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True, index=True)
    species: str
    retired_at: datetime | None = Field(default=None, sa_type=Instant)


class Housing(DatedFact, table=True):
    """An animal in an enclosure, from a time on."""

    animal_id: int = Field(foreign_key="animal.id", index=True)
    enclosure_id: int = Field(foreign_key="enclosure.id", index=True)
