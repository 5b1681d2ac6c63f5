"""What has to be told, to whom, and what became of it: the outbox."""

from datetime import datetime

from sqlalchemy import Index, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.model.base import Instant


class Telling(SQLModel, table=True):
    """A change of an alarm that has to be looked at, and when: what is told of it, and to whom, is decided then.

    It is written in the transaction of the change itself. `step` is 0 for the change, and n for the n-th step of
    the escalation. `touched_at` is when the row was written: where that lies ahead, the clock was set back.
    """

    __table_args__ = (UniqueConstraint("transition_id", "step"),)

    id: int | None = Field(default=None, primary_key=True)
    transition_id: int = Field(foreign_key="alarm_transition.id")
    step: int = 0
    look_at: datetime = Field(sa_type=Instant, index=True)
    touched_at: datetime = Field(sa_type=Instant)


class Delivery(SQLModel, table=True):
    """A message to one contact: waiting until it was taken by the other end, or given up.

    `kind` is "alarms" or "test". `state` is "waiting", "sent", "given up" or "withdrawn". `said` is why the last
    attempt failed, without the route. `lease_until` is until when `worker` alone may send it. `title` and `body` are
    what was sent last.
    """

    __table_args__ = (Index("ix_delivery_state_due_at", "state", "due_at"),)

    id: int | None = Field(default=None, primary_key=True)
    contact_id: int = Field(foreign_key="contact.id", index=True)
    room_id: int | None = Field(default=None, foreign_key="room.id")
    kind: str = "alarms"
    urgent: bool = False
    state: str = "waiting"
    made_at: datetime = Field(sa_type=Instant)
    due_at: datetime = Field(sa_type=Instant)
    touched_at: datetime = Field(sa_type=Instant)
    attempts: int = 0
    failing_since: datetime | None = Field(default=None, sa_type=Instant)
    said: str | None = None
    worker: str | None = None
    lease_until: datetime | None = Field(default=None, sa_type=Instant)
    sent_at: datetime | None = Field(default=None, sa_type=Instant)
    title: str | None = None
    body: str | None = None


class DeliveryItem(SQLModel, table=True):
    """What a message tells: an alarm that was raised, escalated or returned. Nobody is told the same change twice."""

    __tablename__ = "delivery_item"  # pyright: ignore[reportAssignmentType]
    __table_args__ = (UniqueConstraint("contact_id", "transition_id", "step"),)

    id: int | None = Field(default=None, primary_key=True)
    delivery_id: int = Field(foreign_key="delivery.id", index=True)
    contact_id: int = Field(foreign_key="contact.id")
    alarm_id: int = Field(foreign_key="alarm.id", index=True)
    transition_id: int = Field(foreign_key="alarm_transition.id")
    step: int = 0
    kind: str


class RouteState(SQLModel, table=True):
    """How a contact's route is: since when it fails and why, and when it last took a message."""

    __tablename__ = "route_state"  # pyright: ignore[reportAssignmentType]

    contact_id: int = Field(foreign_key="contact.id", primary_key=True)
    failing_since: datetime | None = Field(default=None, sa_type=Instant)
    said: str | None = None
    tried_at: datetime | None = Field(default=None, sa_type=Instant)
    sent_at: datetime | None = Field(default=None, sa_type=Instant)
