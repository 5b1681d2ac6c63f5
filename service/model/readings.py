"""Readings as they came, the newest of each channel, and what could not be taken."""

from datetime import datetime
from enum import IntFlag

from sqlalchemy import BigInteger, Column, Float, ForeignKey, Integer, LargeBinary, SmallInteger
from sqlmodel import Field, SQLModel

from service.model.base import Instant

SETTLE_MS = 120_000
"""How long the watch waits for the readings of several channels before it judges them together. [ms]"""
RELIVED_MS = 2 * 3_600_000
"""After a clock was set back by so much, what several channels say together waits until it is where it was. [ms]

Set back by more, all is judged anew. Common practice, no source.
"""
TURN_BITS = 7 << 7
"""Where the flags of a reading hold its turn: how often its channel's time has gone back with the clock, modulo 8."""


class Flag(IntFlag):
    """What is known of a reading beside its value.

    LATE came after newer ones of its channel; DELAYED came more than `SETTLE_MS` after its own time, or at a time that
    was judged before the clock was set back; CLOCK_SET_BACK has such a time. The bits above them are `TURN_BITS`.
    """

    DEVICE_CLOCK = 1
    ARRIVAL_CLOCK = 2
    APPROXIMATE = 4
    IMPOSSIBLE = 8
    LATE = 16
    DELAYED = 32
    CLOCK_SET_BACK = 64

    @classmethod
    def unfit(cls) -> "Flag":
        """Return the flags that make a reading a gap for verdicts and alarms: it is stored and shown, never judged."""
        return cls.APPROXIMATE | cls.IMPOSSIBLE


class Reading(SQLModel, table=True):
    """What a probe said, stored as it said it; clustered by channel and time."""

    __table_args__ = ({"sqlite_with_rowid": False},)

    channel_id: int = Field(sa_column=Column(Integer, primary_key=True, autoincrement=False))
    at_ms: int = Field(sa_column=Column(BigInteger, primary_key=True, autoincrement=False))
    value: float = Field(sa_column=Column(Float(53), nullable=False))
    flags: int = Field(sa_column=Column(SmallInteger, nullable=False))


class ChannelState(SQLModel, table=True):
    """The newest reading of a channel, and the number of the write that brought it."""

    __tablename__ = "channel_state"  # pyright: ignore[reportAssignmentType]

    channel_id: int = Field(sa_column=Column(Integer, ForeignKey("channel.id"), primary_key=True, autoincrement=False))
    at_ms: int = Field(sa_column=Column(BigInteger, nullable=False))
    value: float = Field(sa_column=Column(Float(53), nullable=False))
    flags: int = Field(sa_column=Column(SmallInteger, nullable=False))
    write: int = Field(sa_column=Column(BigInteger, nullable=False))


class Counter(SQLModel, table=True):
    """Numbers that only grow: each write of readings, each change of facts, each refused message."""

    name: str = Field(primary_key=True)
    value: int = Field(sa_column=Column(BigInteger, nullable=False))


class RefusedMessage(SQLModel, table=True):
    """A message that could not be taken, with the reason; the oldest make room for new ones."""

    __tablename__ = "refused_message"  # pyright: ignore[reportAssignmentType]

    id: int | None = Field(default=None, primary_key=True)
    received_at: datetime = Field(sa_type=Instant)
    topic: str
    payload: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
    size: int
    reason: str


class RefusedTopic(SQLModel, table=True):
    """How many messages of a topic were refused, and why the last one was."""

    __tablename__ = "refused_topic"  # pyright: ignore[reportAssignmentType]

    topic: str = Field(primary_key=True)
    reason: str
    count: int = Field(sa_column=Column(BigInteger, nullable=False))
    first_at: datetime = Field(sa_type=Instant)
    last_at: datetime = Field(sa_type=Instant)


class Receipt(SQLModel, table=True):
    """What a batch of messages held: for each, the broker's packet identifier and a digest."""

    id: int | None = Field(default=None, primary_key=True)
    session: str = Field(index=True)
    messages: int
    entries: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
