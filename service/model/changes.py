"""The journal of changes: who changed what, when."""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, Column
from sqlmodel import Field, SQLModel

from service.model.base import Instant


class Change(SQLModel, table=True):
    """One change of the room's facts, with what stood before and after."""

    id: int | None = Field(default=None, primary_key=True)
    at: datetime = Field(sa_type=Instant, index=True)
    by: str
    subject: str
    before: dict[str, Any] | None = Field(default=None, sa_column=Column(JSON))
    after: dict[str, Any] | None = Field(default=None, sa_column=Column(JSON))
