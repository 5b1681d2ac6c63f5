"""Species profiles, who follows them, and what overrides them."""

from typing import Any

from sqlalchemy import JSON, Column
from sqlmodel import Field

from service.model.base import DatedFact, Keyed


class Profile(Keyed, table=True):
    """A species profile by its key; what it asks for stands in its versions."""

    species: str


class ProfileVersion(DatedFact, table=True):
    """What a profile asks for from a time on.

    `body` holds ``{"target": [{"check", "low", "high", "share", "source"}], "season": [{"name", "from", "until",
    "target": […]}], "notes": "…"}``, as in the room file.
    """

    __tablename__ = "profile_version"  # pyright: ignore[reportAssignmentType]

    profile_id: int = Field(foreign_key="profile.id", index=True)
    version: int
    body: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))


class ProfileAssignment(DatedFact, table=True):
    """An enclosure follows a profile, from a time on."""

    __tablename__ = "profile_assignment"  # pyright: ignore[reportAssignmentType]

    enclosure_id: int = Field(foreign_key="enclosure.id", index=True)
    profile_id: int = Field(foreign_key="profile.id")


class TargetOverride(DatedFact, table=True):
    """One target of one enclosure set differently for a span, with the reason (gravid, quarantine …)."""

    __tablename__ = "target_override"  # pyright: ignore[reportAssignmentType]

    enclosure_id: int = Field(foreign_key="enclosure.id", index=True)
    check: str
    low: float | None = None
    high: float | None = None
    share: float | None = None
    reason: str
