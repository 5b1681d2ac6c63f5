"""What was heard of probes that nobody has claimed yet: who speaks, and what was said."""

from datetime import datetime

from sqlalchemy import BigInteger, Column, LargeBinary, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.model.base import Instant


class UnclaimedSource(SQLModel, table=True):
    """A topic that no probe has; or a name on a gateway's topic that no probe has. Empty `called` is the topic itself.

    `reason` says why its last message was not taken; `count` is of all its messages, kept or not.
    """

    __tablename__ = "unclaimed_source"  # pyright: ignore[reportAssignmentType]
    __table_args__ = (UniqueConstraint("topic", "called"),)

    id: int | None = Field(default=None, primary_key=True)
    topic: str
    called: str
    reason: str
    count: int = Field(sa_column=Column(BigInteger, nullable=False))
    first_at: datetime = Field(sa_type=Instant)
    last_at: datetime = Field(sa_type=Instant)


class UnclaimedMessage(SQLModel, table=True):
    """A message of an unclaimed topic, whole, to be taken in when its probe is claimed.

    `resumed_at` is when the session was resumed in whose burst it came: it was sent at an unknown time before.
    """

    __tablename__ = "unclaimed_message"  # pyright: ignore[reportAssignmentType]

    id: int | None = Field(default=None, primary_key=True)
    topic: str = Field(index=True)
    received_at: datetime = Field(sa_type=Instant)
    payload: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
    retained: bool
    resumed_at: datetime | None = Field(default=None, sa_type=Instant)
