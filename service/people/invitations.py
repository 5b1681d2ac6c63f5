"""Inviting someone by a link: they choose their password themselves, and nobody else ever knows it.

A link opens one thing, once: the making of the account whose name and role stand on record with who invited. It is
told once, when it is made; a digest of it is kept, in the table of keys. A link that is spent, over, withdrawn or was
never made is one and the same to who tries it, and tries are counted with those of the sign-in.
"""

import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from sqlmodel import Session

from service.errors import BadUse, Refused
from service.model import ApiToken
from service.people.accounts import new_account, stored_account
from service.people.roles import Role, name_key, why_no_name
from service.people.sessions import TOKEN_BYTES, token_digest
from service.people.signing_in import Admitted, TurnedAway, begin_try, open_session
from service.store.engine import Store
from service.store.invitations import (
    OPENS,
    invitation_numbered,
    invitation_of,
    spend,
    withdraw_those_for,
)
from service.store.people import forget_tries, note_change, person_of_key

DAYS: Final = 7
"""Common practice, no source. [d]"""
LONGEST_DAYS: Final = 30
"""[d]"""
_TRIED_AS: Final = " invitation"
"""What tries of links are counted under: no name begins with a space."""


@dataclass(frozen=True, slots=True)
class MadeInvitation:
    """An invitation that was just made: `secret` is told now and kept nowhere."""

    name: str
    role: Role
    ends_at: datetime
    secret: str


@dataclass(frozen=True, slots=True)
class Invited:
    """Whom an open link is for, and who made it."""

    name: str
    role: Role
    by: str
    ends_at: datetime


def invite(store: Store, name: str, role: Role, by: str, now: datetime, days: float = DAYS) -> MadeInvitation:
    """Invite someone; an older link for the same name opens nothing any more.

    Parameters
    ----------
    name : str
        What they will sign in as.
    role : Role
    by : str
        Who invites.
    now : datetime
    days : float
        How long the link waits: above 0, at most `LONGEST_DAYS`. [d]

    Raises
    ------
    BadUse
        The name or the days cannot be taken.
    Refused
        Someone of that name can sign in already.
    """
    shown = " ".join(name.split())
    if wrong := why_no_name(shown):
        raise BadUse(wrong)
    if not 0 < days <= LONGEST_DAYS:
        raise BadUse(f"days: an invitation waits above 0 and at most {LONGEST_DAYS} days, not {days:g}")
    secret, ends_at = secrets.token_urlsafe(TOKEN_BYTES), now + timedelta(days=days)
    row = ApiToken(
        name=shown, scopes=f"{OPENS}{role}", token=token_digest(secret), made_at=now, made_by=by, expires_at=ends_at
    )
    with store.write() as session:
        there = person_of_key(session, name_key(shown))
        if there is not None and there.retired_at is None:
            raise Refused(f"{there.name} has an account already; another password is given on the People page")
        withdraw_those_for(session, shown, by, now)
        session.add(row)
        note_change(session, shown, by, now, None, {"invited": str(role)})
    return MadeInvitation(shown, role, ends_at, secret)


def withdraw(store: Store, number: int, by: str, now: datetime) -> str:
    """Let an invitation open nothing any more, and return whom it was for. Raises NotFound."""
    with store.write() as session:
        row = invitation_numbered(session, number, now)
        row.revoked_at, row.revoked_by = now, by
        session.add(row)
        note_change(session, row.name, by, now, {"invited": str(role_of(row))}, None)
        return row.name


def look_at(store: Store, secret: str, address: str, now: datetime) -> Invited | TurnedAway:
    """Return whom a link is for; it is not spent by being looked at."""
    with store.write() as session:
        found = _found(session, secret, address, now)
        if isinstance(found, TurnedAway):
            return found
        return Invited(found.name, role_of(found), found.made_by, found.expires_at or now)


def take_up(store: Store, secret: str, password: str, address: str, now: datetime) -> Admitted | TurnedAway:
    """Make the account that a link is for, with the password that its person chose, and sign them in.

    Raises
    ------
    BadUse
        The password cannot be taken; the link still opens.
    """
    with store.write() as session:
        found = _found(session, secret, address, now)
        if isinstance(found, TurnedAway):
            return found
        number, name, role, by = found.id or 0, found.name, role_of(found), found.made_by
    made = new_account(name, password, role, by, now)
    with store.write() as session:
        there = person_of_key(session, made.key)
        if (there is not None and there.retired_at is None) or not spend(session, number, now):
            return TurnedAway()
        person = stored_account(session, made, invited=True)
        return Admitted(open_session(session, person.id or 0, now), person.name)


def role_of(row: ApiToken) -> Role:
    """Return what an invitation makes of its person."""
    return Role(row.scopes.removeprefix(OPENS))


def _found(session: Session, secret: str, address: str, now: datetime) -> ApiToken | TurnedAway:
    """Return the invitation that a link opens; a try that fails is counted, one that is right takes nothing away."""
    if again_at := begin_try(session, _TRIED_AS, address, now, by_name=False):
        return TurnedAway(again_at)
    found = invitation_of(session, token_digest(secret), now)
    if found is None:
        return TurnedAway()
    forget_tries(session, _TRIED_AS, address)
    return found
