"""Who signs in, and who is told of alarms, and who next."""

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


class Person(SQLModel, table=True):
    """Someone who signs in; `key` is the name as names are compared, `password` what is kept of it.

    `degrees` is what they read temperatures in: ``C``, ``F``, or None where they never chose.
    """

    id: int | None = Field(default=None, primary_key=True)
    name: str
    key: str = Field(unique=True)
    role: str
    password: str
    made_at: datetime = Field(sa_type=Instant)
    made_by: str
    retired_at: datetime | None = Field(default=None, sa_type=Instant)
    retired_by: str | None = None
    degrees: str | None = None


class PersonSession(SQLModel, table=True):
    """A browser that someone signed in with; `token` is a digest of what the browser holds."""

    __tablename__ = "session"  # pyright: ignore[reportAssignmentType]

    id: int | None = Field(default=None, primary_key=True)
    person_id: int = Field(foreign_key="person.id", index=True)
    token: str = Field(unique=True)
    made_at: datetime = Field(sa_type=Instant)
    seen_at: datetime = Field(sa_type=Instant)


class SignInTry(SQLModel, table=True):
    """A sign-in that failed, or is being looked at; kept for as long as it counts."""

    __tablename__ = "sign_in_try"  # pyright: ignore[reportAssignmentType]

    id: int | None = Field(default=None, primary_key=True)
    at: datetime = Field(sa_type=Instant, index=True)
    key: str
    address: str


class ApiToken(SQLModel, table=True):
    """A key that lets in without a sign-in; `token` is a digest of it. `scopes` are words parted by spaces.

    An invitation is one of a single use: its scope is ``invitation:`` and a role, its name that of who is invited,
    `seen_at` when it was taken up.
    """

    __tablename__ = "api_token"  # pyright: ignore[reportAssignmentType]

    id: int | None = Field(default=None, primary_key=True)
    name: str
    scopes: str
    token: str = Field(unique=True)
    made_at: datetime = Field(sa_type=Instant)
    made_by: str
    expires_at: datetime | None = Field(default=None, sa_type=Instant)
    seen_at: datetime | None = Field(default=None, sa_type=Instant)
    revoked_at: datetime | None = Field(default=None, sa_type=Instant)
    revoked_by: str | None = None
