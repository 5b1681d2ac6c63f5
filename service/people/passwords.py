"""How a password is kept: never itself, only what it costs a guesser much to compute from it (pure).

The function is Argon2id. What is kept says with which costs it was made, so that costs can be raised later: who signs
in with an older one has it renewed.
"""

import threading
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerifyMismatchError

SHORTEST: Final = 10
"""Common practice, no source. [characters]"""
LONGEST: Final = 200
"""[characters]"""
SALT_BYTES: Final = 16
_HASHER: Final = PasswordHasher()
"""With the library's costs: the second recommendation of RFC 9106, section 4 (64 MiB, three passes)."""
_AT_ONCE: Final = threading.BoundedSemaphore(2)
"""Each check takes its memory: many at once must not take the whole computer's."""


def why_unfit(password: str, name: str) -> str | None:
    """Return in a sentence why a password cannot be taken, or None."""
    if not SHORTEST <= len(password) <= LONGEST:
        return f"a password has {SHORTEST} to {LONGEST} characters, this one has {len(password)}"
    if password.casefold().strip() in {name.casefold(), name.casefold() * 2}:
        return "a password is not the name"
    if len(set(password)) < SHORTEST // 2:
        return f"a password has at least {SHORTEST // 2} different characters"
    return None


def kept(password: str, salt: bytes) -> str:
    """Return what is kept of a password.

    Parameters
    ----------
    password : str
    salt : bytes
        `SALT_BYTES` random ones, of this password alone.

    Returns
    -------
    str
        ``$argon2id$v=19$m=65536,t=3,p=4$salt$key``, base64 without padding.
    """
    with _AT_ONCE:
        return _HASHER.hash(_bytes(password), salt=salt)


def matches(password: str, stored: str) -> bool:
    """Whether a password is the one that was kept; takes the same time whether it is or not.

    Raises
    ------
    ValueError
        When what is stored is no kept password.
    """
    try:
        with _AT_ONCE:
            return _HASHER.verify(stored, _bytes(password))
    except VerifyMismatchError:
        return False
    except InvalidHashError as exc:
        raise ValueError("what is stored is no kept password") from exc


def is_outdated(stored: str) -> bool:
    """Whether it was kept with other costs than today's."""
    return _HASHER.check_needs_rehash(stored)


NOBODYS: Final = f"$argon2id$v=19$m=65536,t=3,p=4${'A' * 22}${'A' * 43}"
"""Is checked where a name is unknown, so that it takes as long as where it is known; no password matches it."""


def _bytes(password: str) -> bytes:
    return password.encode("utf-8", "surrogatepass")
