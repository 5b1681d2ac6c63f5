"""Keys that let in without a sign-in: a wall's link, a program."""

from collections.abc import Sequence
from datetime import datetime

import sqlalchemy as sa
from sqlmodel import Session, select

from service.errors import NotFound
from service.model import ApiToken, table_of
from service.store.invitations import OPENS

_TOKEN = table_of(ApiToken)
_IS_KEY = sa.not_(_TOKEN.c.scopes.startswith(OPENS, autoescape=True))


def tokens(session: Session) -> Sequence[ApiToken]:
    """Return every key that was ever made, the newest first; invitations are none."""
    return session.exec(select(ApiToken).where(_IS_KEY).order_by(_TOKEN.c.id.desc())).all()


def token_of(session: Session, digest: str) -> ApiToken | None:
    """Return the key of that digest that was not revoked."""
    return session.exec(
        select(ApiToken).where(_IS_KEY, _TOKEN.c.token == digest, _TOKEN.c.revoked_at.is_(None))
    ).first()


def token_numbered(session: Session, number: int) -> ApiToken:
    """Return a key that was not revoked, or raise NotFound."""
    row = session.get(ApiToken, number)
    if row is None or row.revoked_at is not None or row.scopes.startswith(OPENS):
        raise NotFound(f"there is no key {number} that still opens anything")
    return row


def note_used(session: Session, number: int, at: datetime) -> None:
    """Note that a key was used."""
    session.execute(sa.update(_TOKEN).where(_TOKEN.c.id == number).values(seen_at=at))
