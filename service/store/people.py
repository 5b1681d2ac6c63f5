"""People, the browsers that they signed in with, and sign-ins that failed."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlmodel import Session, select

from service.model import Change, Person, PersonSession, SignInTry, table_of

_PERSON, _SESSION, _TRY = table_of(Person), table_of(PersonSession), table_of(SignInTry)
_CHANGE = table_of(Change)
_SUBJECT = "person "
_TOLD = ('contact "', "escalation step ")


def has_people(session: Session) -> bool:
    """Whether anyone can sign in."""
    return session.execute(sa.select(_PERSON.c.id).where(_PERSON.c.retired_at.is_(None)).limit(1)).first() is not None


def all_people(session: Session) -> Sequence[Person]:
    """Return who can sign in, in order of their names."""
    return session.exec(select(Person).where(_PERSON.c.retired_at.is_(None)).order_by(_PERSON.c.key)).all()


def person_of_key(session: Session, key: str) -> Person | None:
    """Return who has that name, also when they can no longer sign in."""
    return session.exec(select(Person).where(_PERSON.c.key == key)).first()


def note_change(
    session: Session,
    person: Person | str,
    by: str,
    at: datetime,
    before: dict[str, Any] | None,
    after: dict[str, Any] | None,
) -> None:
    """Write down who changed an account, when, and what stood before; a password itself never stands there."""
    name = person if isinstance(person, str) else person.name
    session.add(Change(at=at, by=by, subject=f'{_SUBJECT}"{name}"', before=before, after=after))


def changes_of_people(session: Session, limit: int) -> Sequence[Change]:
    """Return the last changes of accounts, the newest first."""
    about = select(Change).where(_CHANGE.c.subject.startswith(_SUBJECT, autoescape=True))
    return session.exec(about.order_by(_CHANGE.c.id.desc()).limit(limit)).all()


def changes_of_telling(session: Session, limit: int) -> Sequence[Change]:
    """Return the last changes of contacts and of who is told next, the newest first."""
    about = sa.or_(*(_CHANGE.c.subject.startswith(subject, autoescape=True) for subject in _TOLD))
    return session.exec(select(Change).where(about).order_by(_CHANGE.c.id.desc()).limit(limit)).all()


def signed_in(session: Session, token_digest: str) -> tuple[PersonSession, Person] | None:
    """Return the session of that token with its person, if there is one and the person can sign in."""
    query = (
        select(PersonSession, Person)
        .join(Person, _PERSON.c.id == _SESSION.c.person_id)
        .where(_SESSION.c.token == token_digest, _PERSON.c.retired_at.is_(None))
    )
    return session.exec(query).first()


def note_seen(session: Session, session_id: int, at: datetime) -> None:
    """Note that a session was seen."""
    session.execute(sa.update(_SESSION).where(_SESSION.c.id == session_id).values(seen_at=at))


def end_session(session: Session, token_digest: str) -> None:
    """Forget the session of that token."""
    session.execute(sa.delete(_SESSION).where(_SESSION.c.token == token_digest))


def sessions_of(session: Session, person_id: int) -> Sequence[PersonSession]:
    """Return the sessions of a person, the one that was seen last first; some may be over."""
    of_them = select(PersonSession).where(_SESSION.c.person_id == person_id)
    return session.exec(of_them.order_by(_SESSION.c.seen_at.desc(), _SESSION.c.id.desc())).all()


def end_session_numbered(session: Session, person_id: int, number: int) -> bool:
    """Forget one session of a person; False where they have none of that number."""
    gone = sa.delete(_SESSION).where(_SESSION.c.person_id == person_id, _SESSION.c.id == number)
    return session.execute(gone.returning(_SESSION.c.id)).first() is not None


def end_sessions_of(session: Session, person_id: int) -> None:
    """Forget every session of a person."""
    session.execute(sa.delete(_SESSION).where(_SESSION.c.person_id == person_id))


def end_old_sessions(session: Session, made_before: datetime, seen_before: datetime) -> None:
    """Forget the sessions that are over."""
    session.execute(
        sa.delete(_SESSION).where(sa.or_(_SESSION.c.made_at <= made_before, _SESSION.c.seen_at <= seen_before))
    )


def tries_of_key(session: Session, key: str, since: datetime) -> list[datetime]:
    """Return when sign-ins under that name failed."""
    return list(session.scalars(sa.select(_TRY.c.at).where(_TRY.c.key == key, _TRY.c.at > since)))


def tries_of_address(session: Session, address: str, since: datetime) -> list[datetime]:
    """Return when sign-ins from that address failed."""
    return list(session.scalars(sa.select(_TRY.c.at).where(_TRY.c.address == address, _TRY.c.at > since)))


def forget_tries(session: Session, key: str, address: str) -> None:
    """Forget the tries of a name from an address: it is theirs."""
    session.execute(sa.delete(_TRY).where(_TRY.c.key == key, _TRY.c.address == address))


def forget_old_tries(session: Session, before: datetime) -> None:
    """Forget the tries that no longer count."""
    session.execute(sa.delete(_TRY).where(_TRY.c.at <= before))
