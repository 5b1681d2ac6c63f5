"""What every table shares: instants, and facts that hold from a time on."""

from datetime import UTC, datetime, timedelta
from typing import ClassVar

import sqlalchemy as sa
from sqlalchemy import BigInteger, Dialect
from sqlalchemy.types import TypeDecorator
from sqlmodel import Field, SQLModel

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND = timedelta(milliseconds=1)


def to_ms(instant: datetime) -> int:
    """Return an aware instant as whole milliseconds since 1970, UTC."""
    return (instant - EPOCH) // _MILLISECOND


def from_ms(ms: int) -> datetime:
    """Return milliseconds since 1970 as an aware instant, UTC."""
    return EPOCH + ms * _MILLISECOND


class Instant(TypeDecorator[datetime]):
    """An aware UTC instant, stored as integer milliseconds: alike and sortable on both databases."""

    impl = BigInteger
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> int | None:  # noqa: ARG002
        """Refuse an instant without a zone: it would be read as another time elsewhere."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"{value!r} has no time zone")
        return to_ms(value)

    def process_result_value(self, value: int | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """Return the instant in UTC."""
        return None if value is None else from_ms(value)


class DatedFact(SQLModel):
    """A fact that holds from a time on, until another.

    Nothing is updated in place: a correction is a new row that names the one it replaces, and a fact that
    should never have been entered is replaced by one that is withdrawn. A row counts while no other replaces it.
    """

    id: int | None = Field(default=None, primary_key=True)
    from_at: datetime = Field(sa_type=Instant)
    until_at: datetime | None = Field(default=None, sa_type=Instant)
    entered_by: str
    entered_at: datetime = Field(sa_type=Instant)
    replaces_id: int | None = Field(default=None, index=True, unique=True)
    withdrawn: bool = False


class Keyed(SQLModel):
    """A thing that people name by a stable text key and that may be retired, never deleted."""

    id: int | None = Field(default=None, primary_key=True)
    key: str = Field(unique=True, index=True)
    retired_at: datetime | None = Field(default=None, sa_type=Instant)

    KEY_PATTERN: ClassVar[str] = r"^[a-z0-9][a-z0-9._-]{0,63}$"


def table_of(model: type[SQLModel]) -> sa.Table:
    """Return the table of a model, whose columns (``.c``) statements are built from."""
    return SQLModel.metadata.tables[str(model.__tablename__)]
