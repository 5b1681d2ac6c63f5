"""Alarms, every change of their state, and where the watch stands."""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, BigInteger, Column, ForeignKey, Integer, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.model.base import Instant


class Alarm(SQLModel, table=True):
    """One alarm: a condition at a place, from raised to returned.

    `place` is what it is about (``rack-a-3/basking``, a channel's key, a room's key), so that the same alarm
    derived twice is the same row.
    """

    __table_args__ = (UniqueConstraint("condition", "place", "raised_at"),)

    id: int | None = Field(default=None, primary_key=True)
    condition: str
    place: str
    enclosure_id: int | None = Field(default=None, foreign_key="enclosure.id", index=True)
    zone: str | None = None
    channel_id: int | None = Field(default=None, foreign_key="channel.id")
    priority: str
    state: str = Field(index=True)
    raised_at: datetime = Field(sa_type=Instant, index=True)
    began_at: datetime = Field(sa_type=Instant)
    returned_at: datetime | None = Field(default=None, sa_type=Instant)
    acknowledged_at: datetime | None = Field(default=None, sa_type=Instant)
    acknowledged_by: str | None = None
    value: float | None = None
    peak: float | None = None
    limit: float | None = None
    unit: str | None = None
    cause: str | None = None
    note: str | None = None


class AlarmTransition(SQLModel, table=True):
    """A change of an alarm's state: who, when, why. Only ever appended."""

    __tablename__ = "alarm_transition"  # pyright: ignore[reportAssignmentType]

    id: int | None = Field(default=None, primary_key=True)
    alarm_id: int = Field(foreign_key="alarm.id", index=True)
    at: datetime = Field(sa_type=Instant)
    recorded_at: datetime = Field(sa_type=Instant)
    before: str
    after: str
    by: str
    note: str | None = None


class WatchState(SQLModel, table=True):
    """How far the watch has come with a channel, and what it remembers of its conditions."""

    __tablename__ = "watch_state"  # pyright: ignore[reportAssignmentType]

    channel_id: int = Field(sa_column=Column(Integer, ForeignKey("channel.id"), primary_key=True, autoincrement=False))
    at_ms: int = Field(sa_column=Column(BigInteger, nullable=False))
    memory: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))


class EnclosureWatchState(SQLModel, table=True):
    """How far the watch has come with an enclosure as a whole, and what it remembers of it."""

    __tablename__ = "enclosure_watch_state"  # pyright: ignore[reportAssignmentType]

    enclosure_id: int = Field(
        sa_column=Column(Integer, ForeignKey("enclosure.id"), primary_key=True, autoincrement=False)
    )
    memory: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))


class RoomWatchState(SQLModel, table=True):
    """What the watch remembers of the rooms; one row."""

    __tablename__ = "room_watch_state"  # pyright: ignore[reportAssignmentType]

    id: int = Field(default=1, primary_key=True)
    memory: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))


class AlarmHold(SQLModel, table=True):
    """Alarms that are held back for a time: shelved, suppressed by design, or out of service.

    `kind` is the state that held alarms are in. An empty `condition`, `place`, `places`, `enclosure_id` or `room_id`
    means any. `because` is the place of the alarm that explains what is suppressed by design. `until_at` is when it
    ends by itself, `ended_at` when it did end.
    """

    __tablename__ = "alarm_hold"  # pyright: ignore[reportAssignmentType]

    id: int | None = Field(default=None, primary_key=True)
    kind: str
    condition: str | None = None
    place: str | None = None
    enclosure_id: int | None = Field(default=None, foreign_key="enclosure.id", index=True)
    room_id: int | None = Field(default=None, foreign_key="room.id")
    places: list[str] | None = Field(default=None, sa_column=Column(JSON))
    because: str | None = None
    from_at: datetime = Field(sa_type=Instant)
    until_at: datetime | None = Field(default=None, sa_type=Instant)
    by: str
    note: str | None = None
    ended_at: datetime | None = Field(default=None, sa_type=Instant)
    ended_by: str | None = None
