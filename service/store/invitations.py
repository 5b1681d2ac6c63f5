"""Invitations that are kept: keys of one use, which open nothing but the making of one's own account."""

from collections.abc import Sequence
from datetime import datetime
from typing import Final

import sqlalchemy as sa
from sqlmodel import Session, select

from service.errors import NotFound
from service.model import ApiToken, table_of

OPENS: Final = "invitation:"
"""Stands before the role in the scopes of an invitation; no key for a program or a wall has it."""
_TOKEN = table_of(ApiToken)
_IS_ONE = _TOKEN.c.scopes.startswith(OPENS, autoescape=True)
_WAITS = sa.and_(_IS_ONE, _TOKEN.c.seen_at.is_(None), _TOKEN.c.revoked_at.is_(None))


def open_invitations(session: Session, now: datetime) -> Sequence[ApiToken]:
    """Return the invitations that may still be taken up, the newest first."""
    return session.exec(select(ApiToken).where(_WAITS, _TOKEN.c.expires_at > now).order_by(_TOKEN.c.id.desc())).all()


def invitation_of(session: Session, digest: str, now: datetime) -> ApiToken | None:
    """Return the invitation of that digest, where it may still be taken up."""
    return session.exec(
        select(ApiToken).where(_WAITS, _TOKEN.c.expires_at > now, _TOKEN.c.token == digest)
    ).first()  # fmt: skip


def invitation_numbered(session: Session, number: int, now: datetime) -> ApiToken:
    """Return an invitation that may still be taken up, or raise NotFound."""
    row = session.exec(select(ApiToken).where(_WAITS, _TOKEN.c.expires_at > now, _TOKEN.c.id == number)).first()
    if row is None:
        raise NotFound(f"there is no invitation {number} that could still be taken up")
    return row


def spend(session: Session, number: int, now: datetime) -> bool:
    """Note that an invitation was taken up; False where someone was faster, or it was withdrawn."""
    taken = sa.update(_TOKEN).where(_WAITS, _TOKEN.c.id == number, _TOKEN.c.expires_at > now)
    return session.execute(taken.values(seen_at=now).returning(_TOKEN.c.id)).first() is not None


def withdraw_those_by(session: Session, made_by: str, by: str, now: datetime) -> None:
    """Withdraw what someone invited to and nobody has taken up: who may invite no more has no doors left open."""
    session.execute(sa.update(_TOKEN).where(_WAITS, _TOKEN.c.made_by == made_by).values(revoked_at=now, revoked_by=by))


def withdraw_those_for(session: Session, name: str, by: str, now: datetime) -> None:
    """Withdraw the open invitations of a name: a newer one takes their place, or an account stands there."""
    session.execute(sa.update(_TOKEN).where(_WAITS, _TOKEN.c.name == name).values(revoked_at=now, revoked_by=by))
