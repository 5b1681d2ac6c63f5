"""Equipment that ages and has to be replaced, what has to be done again and again, and what was done."""

from datetime import datetime

from sqlmodel import Field, SQLModel

from service.model.base import DatedFact, Instant


class Equipment(DatedFact, table=True):
    """A lamp, filter, nozzle or pump of an enclosure; `from_at` is when it was installed."""

    enclosure_id: int = Field(foreign_key="enclosure.id", index=True)
    kind: str
    replace_after_months: float | None = None


class CareTask(SQLModel, table=True):
    """Something that has to be done every so many days, in an enclosure, or in the whole site where none is named."""

    __tablename__ = "care_task"  # pyright: ignore[reportAssignmentType]

    id: int | None = Field(default=None, primary_key=True)
    enclosure_id: int | None = Field(default=None, foreign_key="enclosure.id", index=True)
    kind: str
    every_days: float
    first_due: datetime = Field(sa_type=Instant)
    made_at: datetime = Field(sa_type=Instant)
    made_by: str
    retired_at: datetime | None = Field(default=None, sa_type=Instant)
    retired_by: str | None = None


class CareDone(SQLModel, table=True):
    """What was done once: a task closed, equipment replaced, a UV index measured. Only ever appended.

    `value` is a measured UV index [1]. `sent_key` is the sender's own name for the entry: one that comes twice is
    kept once.
    """

    __tablename__ = "care_done"  # pyright: ignore[reportAssignmentType]

    id: int | None = Field(default=None, primary_key=True)
    task_id: int | None = Field(default=None, foreign_key="care_task.id", index=True)
    enclosure_id: int | None = Field(default=None, foreign_key="enclosure.id", index=True)
    kind: str
    at: datetime = Field(sa_type=Instant, index=True)
    entered_at: datetime = Field(sa_type=Instant)
    by: str
    value: float | None = None
    zone: str | None = None
    note: str | None = None
    sent_key: str | None = Field(default=None, unique=True)
