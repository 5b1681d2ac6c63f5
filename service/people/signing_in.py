"""Signing in and out, and who a browser's token belongs to."""

import secrets
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlmodel import Session

from service.errors import StoreUnusable
from service.model import Person, PersonSession, SignInTry
from service.people.passwords import NOBODYS, SALT_BYTES, is_outdated, kept, matches
from service.people.roles import Role, Visitor, name_key
from service.people.sessions import (
    BY_ADDRESS,
    BY_NAME,
    LONGEST,
    NOTED_EVERY,
    TOKEN_BYTES,
    UNSEEN,
    WINDOW,
    free_at,
    is_over,
    token_digest,
)
from service.store.engine import Store
from service.store.people import (
    end_old_sessions,
    end_session,
    forget_old_tries,
    forget_tries,
    note_seen,
    person_of_key,
    signed_in,
    tries_of_address,
    tries_of_key,
)

_LONGEST_TRIED: Final = 1_000
"""Longer than any password may be. [characters]"""


@dataclass(frozen=True, slots=True)
class Admitted:
    """Someone signed in; `token` is told to their browser and kept nowhere."""

    token: str
    name: str


@dataclass(frozen=True, slots=True)
class TurnedAway:
    """A sign-in that failed: wrong, or (`again_at`) one too many. Neither says whether the name is known."""

    again_at: datetime | None = None


def sign_in(store: Store, name: str, password: str, address: str, now: datetime) -> Admitted | TurnedAway:
    """Let someone in who knows their password.

    A try is written down before the password is looked at, so that many at once are all counted. Known and unknown
    names are treated alike: same limits, same work, same answer.
    """
    key = name_key(name[:200])
    with store.write() as session:
        if again_at := begin_try(session, key, address, now):
            return TurnedAway(again_at)
        person = person_of_key(session, key)
    if person is None or person.retired_at is not None:
        matches(password[:_LONGEST_TRIED], NOBODYS)
        return TurnedAway()
    if not matches(password[:_LONGEST_TRIED], person.password):
        return TurnedAway()
    renewed = kept(password, secrets.token_bytes(SALT_BYTES)) if is_outdated(person.password) else None
    return _admit(store, person, renewed, address, now)


def open_session(session: Session, person_id: int, now: datetime) -> str:
    """Begin a session of a person, and return its token."""
    end_old_sessions(session, now - LONGEST, now - UNSEEN)
    token = secrets.token_urlsafe(TOKEN_BYTES)
    session.add(PersonSession(person_id=person_id, token=token_digest(token), made_at=now, seen_at=now))
    return token


def sign_out(store: Store, token: str) -> None:
    """End the session of a token; harmless when there is none."""
    with store.write() as session:
        end_session(session, token_digest(token))


def visitor_of(store: Store, token: str, now: datetime) -> Visitor | None:
    """Return who holds a token; None when its session is over or there is none."""
    with store.read() as session:
        found = signed_in(session, token_digest(token))
        if found is None:
            return None
        there, person = found
        ends = is_over(there.made_at, there.seen_at, now)
        visitor = Visitor(person.name, Role(person.role), person.id, there.id, person.degrees)
        is_due = abs(now - there.seen_at) >= NOTED_EVERY
    if ends:
        # Ended for good: a clock that is set back must not let it begin again.
        with suppress(StoreUnusable):
            sign_out(store, token)
        return None
    if is_due and visitor.session_id is not None:
        # A full disk keeps nobody out.
        with suppress(StoreUnusable), store.write() as session:
            note_seen(session, visitor.session_id, now)
    return visitor


def begin_try(session: Session, key: str, address: str, now: datetime, by_name: bool = True) -> datetime | None:
    """Count a try; return when the next is borne where there were too many from the address, or under the name."""
    forget_old_tries(session, now - WINDOW)
    waits = (
        free_at(tries_of_key(session, key, now - WINDOW), now, BY_NAME) if by_name else None,
        free_at(tries_of_address(session, address, now - WINDOW), now, BY_ADDRESS),
    )
    again_at = max((at for at in waits if at is not None), default=None)
    if again_at is None:
        session.add(SignInTry(at=now, key=key, address=address))
    return again_at


def _admit(store: Store, person: Person, renewed: str | None, address: str, now: datetime) -> Admitted | TurnedAway:
    with store.write() as session:
        there = person_of_key(session, person.key)
        # In between the account may have been ended, or its password changed.
        if there is None or there.retired_at is not None or there.password != person.password:
            return TurnedAway()
        if renewed is not None:
            there.password = renewed
            session.add(there)
        forget_tries(session, person.key, address)
        return Admitted(open_session(session, there.id or 0, now), there.name)
