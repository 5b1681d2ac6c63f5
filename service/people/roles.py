"""Who may do what (pure)."""

import re
import unicodedata
from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Role(StrEnum):
    """What a person is in this room."""

    OWNER = "owner"
    KEEPER = "keeper"
    VIEWER = "viewer"


class Right(StrEnum):
    """What a request asks for."""

    NOTHING = "nothing"
    """Anyone may: whether the service lives, the sign-in page, style sheets."""
    SEE = "see"
    ANSWER = "answer"
    """Acknowledge, shelve, take out of service, note, send readings: all that changes something but people."""
    MANAGE = "manage people"


RIGHTS: Final = {
    Role.OWNER: frozenset(Right),
    Role.KEEPER: frozenset({Right.NOTHING, Right.SEE, Right.ANSWER}),
    Role.VIEWER: frozenset({Right.NOTHING, Right.SEE}),
}
LONGEST_NAME: Final = 64
"""[characters]"""
SOMEONE: Final = "someone at this computer"
THE_DEMO: Final = "demo"
RESERVED: Final = frozenset({"the watch", "the room file", "the demo", "system", SOMEONE, THE_DEMO})
"""Stand in the record for what no person did."""


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who makes a request.

    Attributes
    ----------
    name : str
        Stands in the record.
    role : Role
    person_id, session_id : int or None
        None for who came in without signing in.
    degrees : str or None
        What they read temperatures in, ``C`` or ``F``, where they chose.
    scopes : frozenset of str or None
        What a key lets in to, beside what its role may; None for a person.
    """

    name: str
    role: Role
    person_id: int | None = None
    session_id: int | None = None
    degrees: str | None = None
    scopes: frozenset[str] | None = None

    def may(self, right: Right) -> bool:
        """Whether the role gives that right."""
        return right in RIGHTS[self.role]


@dataclass(frozen=True, slots=True)
class Doors:
    """Who comes in without signing in.

    Attributes
    ----------
    opens_as : str or None
        Name of who comes in, as owner, from this computer; None: nobody does.
    with_accounts : bool
        Whether that holds also when there are accounts.
    hosts : frozenset of str or None
        Only requests that name one of these hosts come in so: another name that leads here is a page of someone
        else, shown by a browser on this computer. None: any.
    """

    opens_as: str | None = SOMEONE
    with_accounts: bool = False
    hosts: frozenset[str] | None = None


def name_key(name: str) -> str:
    """Return what names are compared by: ``Ana`` and ``ana`` are one person."""
    return unicodedata.normalize("NFKC", " ".join(name.split())).casefold()


def why_no_name(name: str) -> str | None:
    """Return in a sentence why that cannot be a person's name, or None."""
    shown = " ".join(name.split())
    if not 1 <= len(shown) <= LONGEST_NAME:
        return f"a name has 1 to {LONGEST_NAME} characters"
    if not shown.isprintable() or re.search(r"[<>\"\\]", shown):
        return 'a name is written in letters, without < > " or a backslash'
    if name_key(shown) in {name_key(reserved) for reserved in RESERVED}:
        return f"{shown!r} stands in the record for what no person did; take another name"
    return None
