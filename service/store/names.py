"""Names that keepers give: any script, tidy, and told apart."""

import unicodedata
from typing import Final

from service.errors import BadUse

LONGEST_NAME: Final = 80
LONGEST_NOTE: Final = 2_000
"""[characters]"""
_INVISIBLE: Final = {"Cc", "Cs", "Co", "Cn", "Zl", "Zp"}


def tidy_name(text: str, what: str = "name") -> str:
    """Return a name in one way of writing it: composed (NFC), single spaces.

    Raises
    ------
    BadUse
        When nothing is left, it is longer than `LONGEST_NAME`, or it holds control characters or a slash.
    """
    name = " ".join(unicodedata.normalize("NFC", text).split())
    if not name:
        raise BadUse(f"{what}: it is empty; give one of 1 to {LONGEST_NAME} characters")
    if len(name) > LONGEST_NAME:
        raise BadUse(f"{what}: it has {len(name)} characters, at most {LONGEST_NAME} fit")
    if any(unicodedata.category(char) in _INVISIBLE for char in name):
        raise BadUse(f"{what}: it holds a control character; write it anew")
    if "/" in name or name in {".", ".."}:
        raise BadUse(f"{what}: a slash cannot stand in it, since it is part of an address")
    return name


def findable(text: str) -> str:
    """Return how a name that is asked for would have been stored; characters that no name has are left out."""
    kept = "".join(char for char in text if unicodedata.category(char) not in _INVISIBLE)
    return " ".join(unicodedata.normalize("NFC", kept).split())


def tidy_text(text: str | None, what: str = "note") -> str:
    """Return a note without space around it, its lines kept.

    Raises
    ------
    BadUse
        When it is longer than `LONGEST_NOTE`, or holds control characters.
    """
    note = unicodedata.normalize("NFC", (text or "").replace("\r\n", "\n").strip())
    if len(note) > LONGEST_NOTE:
        raise BadUse(f"{what}: it has {len(note)} characters, at most {LONGEST_NOTE:,} are kept")
    if any(unicodedata.category(char) in _INVISIBLE and char not in "\n\t" for char in note):
        raise BadUse(f"{what}: it holds a control character; write it anew")
    return note
