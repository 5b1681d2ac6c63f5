"""Days that were assessed, and which of a channel's days were written to late: by it a kept day knows it is stale."""

from datetime import date

from sqlalchemy import BigInteger, Column, ForeignKey, Integer, LargeBinary
from sqlmodel import Field, SQLModel


class ChannelDay(SQLModel, table=True):
    """The last write that brought a day of a channel a reading older than the channel's newest.

    `day` counts UTC days since 1970. Readings are only ever added; one that is newer than all before it is told by
    `ChannelState`, and needs no row here.
    """

    __tablename__ = "channel_day"  # pyright: ignore[reportAssignmentType]
    __table_args__ = ({"sqlite_with_rowid": False},)

    channel_id: int = Field(sa_column=Column(Integer, primary_key=True, autoincrement=False))
    day: int = Field(sa_column=Column(Integer, primary_key=True, autoincrement=False))
    write: int = Field(sa_column=Column(BigInteger, nullable=False))


class AssessmentDay(SQLModel, table=True):
    """What a day of an enclosure was, kept so that it need not be worked out again.

    `fingerprint` stands for all that it rests on as the store knows it without reading the readings, `inputs` for the
    readings too. `body` is compressed JSON.
    """

    __tablename__ = "assessment_day"  # pyright: ignore[reportAssignmentType]
    __table_args__ = ({"sqlite_with_rowid": False},)

    enclosure_id: int = Field(
        sa_column=Column(Integer, ForeignKey("enclosure.id"), primary_key=True, autoincrement=False)
    )
    day: date = Field(primary_key=True)
    fingerprint: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
    inputs: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
    body: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
