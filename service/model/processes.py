"""What each process of a site says of itself, so that the others know."""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, Column
from sqlmodel import Field, SQLModel

from service.model.base import Instant


class ProcessReport(SQLModel, table=True):
    """How the parts in one process were when it last reported."""

    __tablename__ = "process_report"  # pyright: ignore[reportAssignmentType]

    name: str = Field(primary_key=True)
    reported_at: datetime = Field(sa_type=Instant)
    parts: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    figures: dict[str, float] = Field(sa_column=Column(JSON, nullable=False))
