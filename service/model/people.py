"""Who is told of alarms, and who next."""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, Column
from sqlmodel import Field, SQLModel

from service.model.base import Instant


class Contact(SQLModel, table=True):
    """Someone who is told, and by which route; `priority` is the least that is sent."""

    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True)
    route: str
    priority: str = "high"
    hours: str | None = None
    retired_at: datetime | None = Field(default=None, sa_type=Instant)


class Escalation(SQLModel, table=True):
    """A step: not acknowledged `after_minutes` after the last one, these contacts are told."""

    id: int | None = Field(default=None, primary_key=True)
    step: int = Field(unique=True)
    after_minutes: float
    contacts: list[Any] = Field(sa_column=Column(JSON, nullable=False))
    retired_at: datetime | None = Field(default=None, sa_type=Instant)
