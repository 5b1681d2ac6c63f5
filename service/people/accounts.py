"""Making, changing and ending accounts. A room that has an owner always keeps one."""

import secrets
from datetime import datetime

from sqlmodel import Session

from service.errors import BadUse, NotFound, Refused
from service.model import Person
from service.people.passwords import SALT_BYTES, kept, why_unfit
from service.people.roles import Role, name_key, why_no_name
from service.store.engine import Store
from service.store.invitations import withdraw_those_by
from service.store.people import (
    all_people,
    end_session_numbered,
    end_sessions_of,
    has_people,
    note_change,
    person_of_key,
)


def add_account(store: Store, name: str, password: str, role: Role, by: str, now: datetime) -> Person:
    """Make an account; who had one of that name before and lost it gets it back, as what is said now.

    Raises
    ------
    BadUse
        The name or the password cannot be taken.
    Refused
        Someone of that name can sign in already.
    """
    made = new_account(name, password, role, by, now)
    with store.write() as session:
        return stored_account(session, made)


def add_first_owner(store: Store, name: str, password: str, by: str, now: datetime) -> Person:
    """Make the account that closes a room which was open to whoever sits at its computer.

    Raises
    ------
    BadUse
        The name or the password cannot be taken.
    Refused
        There is an account already.
    """
    made = new_account(name, password, Role.OWNER, by, now)
    with store.write() as session:
        if has_people(session):
            raise Refused("there is an account already: its owner adds the others")
        return stored_account(session, made)


def change_password(store: Store, name: str, password: str, by: str, now: datetime) -> None:
    """Give a person another password, and sign them out everywhere.

    Raises
    ------
    NotFound
        Nobody of that name can sign in.
    BadUse
        The password cannot be taken.
    """
    stored = _kept(password, name)
    with store.write() as session:
        person = account_named(session, name)
        person.password = stored
        session.add(person)
        note_change(session, person, by, now, None, {"password": "changed"})
        end_sessions_of(session, person.id or 0)


def change_role(store: Store, name: str, role: Role, by: str, now: datetime) -> None:
    """Let a person be something else in this room.

    Raises
    ------
    NotFound
        Nobody of that name can sign in.
    Refused
        It is the last owner.
    """
    with store.write() as session:
        person = account_named(session, name)
        if role is not Role.OWNER:
            _require_other_owner(session, person)
        if person.role != role:
            note_change(session, person, by, now, {"role": str(person.role)}, {"role": str(role)})
        if person.role == Role.OWNER and role is not Role.OWNER:
            withdraw_those_by(session, person.name, by, now)
        person.role = role
        session.add(person)


def end_account(store: Store, name: str, by: str, now: datetime) -> None:
    """Let a person no longer sign in; what they did stays on record under their name.

    Raises
    ------
    NotFound
        Nobody of that name can sign in.
    Refused
        It is the last owner.
    """
    with store.write() as session:
        person = account_named(session, name)
        _require_other_owner(session, person)
        person.retired_at, person.retired_by = now, by
        session.add(person)
        note_change(session, person, by, now, {"role": str(person.role)}, None)
        withdraw_those_by(session, person.name, by, now)
        end_sessions_of(session, person.id or 0)


def sign_out_everywhere(store: Store, name: str, by: str, now: datetime) -> None:
    """End every session of a person, whoever has the browser; the password stays what it is.

    Raises
    ------
    NotFound
        Nobody of that name can sign in.
    """
    with store.write() as session:
        person = account_named(session, name)
        note_change(session, person, by, now, None, {"signed out": "everywhere"})
        end_sessions_of(session, person.id or 0)


def sign_out_there(store: Store, person_id: int, number: int, now: datetime) -> None:
    """End one of a person's own sessions.

    Raises
    ------
    NotFound
        They have none of that number.
    """
    with store.write() as session:
        if not end_session_numbered(session, person_id, number):
            raise NotFound(f"you are not signed in under number {number} any more")
        person = session.get_one(Person, person_id)
        note_change(session, person, person.name, now, None, {"signed out": "of one browser"})


def account_named(session: Session, name: str) -> Person:
    """Return the account of that name.

    Raises
    ------
    NotFound
        Nobody of that name can sign in.
    """
    person = person_of_key(session, name_key(name))
    if person is None or person.retired_at is not None:
        known = ", ".join(one.name for one in all_people(session)) or "nobody yet"
        raise NotFound(f"nobody called {name[:80]!r} can sign in; those who can: {known}")
    return person


def new_account(name: str, password: str, role: Role, by: str, now: datetime) -> Person:
    """Return an account that is not stored yet. Raises BadUse where the name or the password cannot be taken."""
    shown = " ".join(name.split())
    if wrong := why_no_name(shown):
        raise BadUse(wrong)
    return Person(
        name=shown, key=name_key(shown), role=role, password=_kept(password, shown), made_at=now, made_by=by
    )  # fmt: skip


def _kept(password: str, name: str) -> str:
    if wrong := why_unfit(password, name):
        raise BadUse(wrong)
    return kept(password, secrets.token_bytes(SALT_BYTES))


def stored_account(session: Session, made: Person, invited: bool = False) -> Person:
    """Store an account; who had one of that name and lost it gets it back. Raises Refused where someone has it."""
    there = person_of_key(session, made.key)
    after = {"role": str(made.role)}
    if invited:
        note_change(session, made, made.name, made.made_at, None, after | {"invited by": made.made_by})
    else:
        note_change(session, made, made.made_by, made.made_at, None, after)
    if there is None:
        session.add(made)
        session.flush()
        return made
    if there.retired_at is None:
        raise Refused(f"{there.name} has an account already; `account passwd` gives another password")
    there.name, there.role, there.password = made.name, made.role, made.password
    there.made_at, there.made_by, there.retired_at, there.retired_by = made.made_at, made.made_by, None, None
    session.add(there)
    return there


def _require_other_owner(session: Session, person: Person) -> None:
    owners = [one for one in all_people(session) if one.role == Role.OWNER]
    if person.role == Role.OWNER and len(owners) == 1:
        raise Refused(f"{person.name} is the last owner; make someone else an owner first")
