"""Sealed days of readings, and spans that retention leaves alone."""

from datetime import datetime

from sqlalchemy import BigInteger, Column, Float, ForeignKey, Integer, LargeBinary, SmallInteger
from sqlmodel import Field, SQLModel

from service.model.base import Instant


class ReadingBlock(SQLModel, table=True):
    """The readings of one channel and UTC day in one row, with what can be said of them without unpacking them.

    `day` counts UTC days since 1970. `flags` are all flags that occur, `common_flags` those that every reading has.
    `longest_ms` is the longest time between two readings, `spacing_ms` the median. `low`, `high`, `mean`,
    `first_value` and `last_value` are of the readings that are fit to be judged: NULL where none is. `body` is None
    when retention has kept the summary alone; `checksum` is of the body, `summary_checksum` of what stands before it.
    """

    __tablename__ = "reading_block"  # pyright: ignore[reportAssignmentType]

    channel_id: int = Field(sa_column=Column(Integer, primary_key=True, autoincrement=False))
    day: int = Field(sa_column=Column(Integer, primary_key=True, autoincrement=False))
    readings: int = Field(sa_column=Column(Integer, nullable=False))
    fit: int = Field(sa_column=Column(Integer, nullable=False))
    flags: int = Field(sa_column=Column(SmallInteger, nullable=False))
    common_flags: int = Field(sa_column=Column(SmallInteger, nullable=False))
    first_ms: int = Field(sa_column=Column(BigInteger, nullable=False))
    last_ms: int = Field(sa_column=Column(BigInteger, nullable=False))
    spacing_ms: int = Field(sa_column=Column(Integer, nullable=False))
    longest_ms: int = Field(sa_column=Column(Integer, nullable=False))
    low_ms: int | None = Field(sa_column=Column(BigInteger))
    high_ms: int | None = Field(sa_column=Column(BigInteger))
    first_value: float | None = Field(sa_column=Column(Float(53)))
    last_value: float | None = Field(sa_column=Column(Float(53)))
    low: float | None = Field(sa_column=Column(Float(53)))
    high: float | None = Field(sa_column=Column(Float(53)))
    mean: float | None = Field(sa_column=Column(Float(53)))
    summary_checksum: int = Field(sa_column=Column(BigInteger, nullable=False))
    checksum: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
    body: bytes | None = Field(sa_column=Column(LargeBinary))


class PinnedSpan(SQLModel, table=True):
    """A span whose readings retention never deletes: of one channel, of an enclosure, or of all where neither is named.

    `until_at` None is open.
    """

    __tablename__ = "pinned_span"  # pyright: ignore[reportAssignmentType]

    id: int | None = Field(default=None, primary_key=True)
    channel_id: int | None = Field(default=None, sa_column=Column(Integer, ForeignKey("channel.id"), index=True))
    enclosure_id: int | None = Field(default=None, sa_column=Column(Integer, ForeignKey("enclosure.id"), index=True))
    from_at: datetime = Field(sa_type=Instant)
    until_at: datetime | None = Field(default=None, sa_type=Instant)
    reason: str
    entered_by: str
    entered_at: datetime = Field(sa_type=Instant)
