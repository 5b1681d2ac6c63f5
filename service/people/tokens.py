"""Making, revoking and looking at keys. A key is told once, when it is made; a digest of it is kept."""

import secrets
from collections.abc import Collection
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

from service.errors import BadUse, StoreUnusable
from service.model import ApiToken
from service.people.roles import Role, Visitor
from service.people.sessions import NOTED_EVERY, TOKEN_BYTES, token_digest
from service.store.engine import Store
from service.store.tokens import note_used, token_numbered, token_of

LONGEST_NAME: Final = 64
LONGEST_LIFE: Final = timedelta(days=3_660)


class KeyScope(StrEnum):
    """What a key opens."""

    WALL = "wall"
    """The Room page on a screen, and nothing else."""
    READ = "read"
    """Everything that the HTTP interface answers, but people and keys."""
    READINGS = "readings:write"
    METRICS = "metrics"


@dataclass(frozen=True, slots=True)
class MadeKey:
    """A key that was just made: `secret` is told now and kept nowhere."""

    number: int
    name: str
    secret: str


def make_key(
    store: Store, name: str, scopes: Collection[str], by: str, now: datetime, lasts: timedelta | None = None
) -> MadeKey:
    """Make a key.

    Parameters
    ----------
    name : str
        What it is for: 1 to 64 characters.
    scopes : collection of str
        Words of `KeyScope`, at least one; ``wall`` stands alone.
    lasts : timedelta, optional
        Above nothing, at most ten years; None: until it is revoked.

    Raises
    ------
    BadUse
        One of these is not so.
    """
    named = " ".join(name.split())
    if not (1 <= len(named) <= LONGEST_NAME and named.isprintable()):
        raise BadUse(f"name: expected 1 to {LONGEST_NAME} characters that say what the key is for")
    asked, known = set(scopes), {str(scope) for scope in KeyScope}
    if not asked or not asked <= known:
        wrong = ", ".join(sorted(asked - known)) or "none"
        raise BadUse(f"scope: expected some of {', '.join(sorted(known))}, got {wrong[:80]}")
    if KeyScope.WALL in asked and len(asked) > 1:
        raise BadUse("scope: a wall's link opens the Room page alone; make another key for programs")
    if lasts is not None and not timedelta() < lasts <= LONGEST_LIFE:
        raise BadUse(f"how long it lasts: expected above 0, at most {LONGEST_LIFE.days:,} days")
    secret = secrets.token_urlsafe(TOKEN_BYTES)
    row = ApiToken(
        name=named, scopes=" ".join(sorted(asked)), token=token_digest(secret), made_at=now, made_by=by,
        expires_at=None if lasts is None else now + lasts,
    )  # fmt: skip
    with store.write() as session:
        session.add(row)
        session.flush()
        return MadeKey(row.id or 0, named, secret)


def revoke_key(store: Store, number: int, by: str, now: datetime) -> str:
    """Let a key open nothing any more, and return its name. Raises NotFound."""
    with store.write() as session:
        row = token_numbered(session, number)
        row.revoked_at, row.revoked_by = now, by
        session.add(row)
        return row.name


def holder_of(store: Store, secret: str, now: datetime, only: KeyScope | None = None) -> Visitor | None:
    """Return who holds a key; None where it opens nothing, or not what it was asked for."""
    with store.read() as session:
        row = token_of(session, token_digest(secret))
        if row is None or (row.expires_at is not None and row.expires_at <= now):
            return None
        scopes = frozenset(row.scopes.split())
        number, is_due = row.id or 0, row.seen_at is None or now - row.seen_at >= NOTED_EVERY
        visitor = Visitor(row.name, Role.KEEPER if KeyScope.READINGS in scopes else Role.VIEWER, scopes=scopes)
    if only is not None and only not in scopes:
        return None
    if is_due:
        # A full disk keeps nobody out.
        with suppress(StoreUnusable), store.write() as session:
            note_used(session, number, now)
    return visitor
