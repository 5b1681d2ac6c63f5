"""Dated facts that are corrected: a new row in the place of an old one, which stays."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, TypeVar

import sqlalchemy as sa
from sqlmodel import Session, select

from service.errors import NotFound, Refused
from service.model import DatedFact, table_of

_Fact = TypeVar("_Fact", bound=DatedFact)


def standing(session: Session, model: type[_Fact], fact_id: int, noun: str) -> _Fact:
    """Return a fact that counts.

    Raises
    ------
    NotFound
        There is none of that number.
    Refused
        It was taken back, or another replaced it meanwhile.
    """
    row = session.get(model, fact_id)
    if row is None:
        raise NotFound(f"there is no {noun} {fact_id}")
    table = table_of(model)
    later = session.execute(sa.select(table.c.id).where(table.c.replaces_id == fact_id)).first()
    if later is not None or row.withdrawn:
        raise Refused(f"{noun} {fact_id} was corrected or taken back meanwhile; look at it again")
    return row


def replace(session: Session, row: _Fact, by: str, now: datetime, **changes: Any) -> _Fact:  # noqa: ANN401 - columns of any table
    """Put another fact into the place of one that counts; what stood before stays in the store."""
    entered: dict[str, Any] = {"entered_by": by, "entered_at": now, "replaces_id": row.id}
    values: dict[str, Any] = row.model_dump(exclude={"id"}) | {"withdrawn": False} | changes | entered
    new = type(row)(**values)
    session.add(new)
    session.flush()
    return new


def withdraw(session: Session, row: _Fact, by: str, now: datetime) -> _Fact:
    """Take a fact back that should never have been entered."""
    return replace(session, row, by, now, withdrawn=True)


def versions(session: Session, model: type[_Fact], **owner: int) -> Sequence[_Fact]:
    """Return every row about an owner, those that were replaced or withdrawn too, in the order of entry."""
    table = table_of(model)
    about = [table.c[column] == value for column, value in owner.items()]
    return session.exec(select(model).where(*about).order_by(table.c.entered_at, table.c.id)).all()


def counting(rows: Sequence[_Fact]) -> list[_Fact]:
    """Return those of all the rows about something that count, in order of time."""
    replaced = {row.replaces_id for row in rows}
    return sorted((r for r in rows if not r.withdrawn and r.id not in replaced), key=lambda r: (r.from_at, r.id or 0))
