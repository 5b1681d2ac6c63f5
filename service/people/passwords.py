"""How a password is kept: never itself, only what it costs a guesser much to compute from it (pure).

The function is scrypt of the standard library. What is kept says with which costs it was made, so that costs can be
raised later: who signs in with an older one has it renewed.
"""

import base64
import hashlib
import hmac
import re
import threading
from typing import Final

SHORTEST: Final = 10
"""Common practice, no source. [characters]"""
LONGEST: Final = 200
"""[characters]"""
SALT_BYTES: Final = 16
_LOG_COST, _BLOCK, _PARALLEL = 15, 8, 3
"""32 MiB and three passes: common practice for scrypt, no source."""
_MEMORY: Final = 64 * 1024 * 1024
_KEY_BYTES: Final = 32
_KEPT: Final = re.compile(r"\$scrypt\$ln=(\d{1,2}),r=(\d{1,2}),p=(\d{1,2})\$([\w+/]+)\$([\w+/]+)", re.ASCII)
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
        ``$scrypt$ln=15,r=8,p=3$salt$key``, base64 without padding.
    """
    key = _key(password, salt, _LOG_COST, _BLOCK, _PARALLEL)
    return f"$scrypt$ln={_LOG_COST},r={_BLOCK},p={_PARALLEL}${_text(salt)}${_text(key)}"


def matches(password: str, stored: str) -> bool:
    """Whether a password is the one that was kept; takes the same time whether it is or not.

    Raises
    ------
    ValueError
        When what is stored is no kept password.
    """
    found = _KEPT.fullmatch(stored)
    if found is None:
        raise ValueError("what is stored is no kept password")
    log_cost, block, parallel = (int(number) for number in found.groups()[:3])
    salt, key = (_bytes(text) for text in found.groups()[3:])
    return hmac.compare_digest(_key(password, salt, log_cost, block, parallel), key)


def is_outdated(stored: str) -> bool:
    """Whether it was kept with other costs than today's."""
    return not stored.startswith(f"$scrypt$ln={_LOG_COST},r={_BLOCK},p={_PARALLEL}$")


NOBODYS: Final = f"$scrypt$ln={_LOG_COST},r={_BLOCK},p={_PARALLEL}${'A' * 22}${'A' * 43}"
"""Is checked where a name is unknown, so that it takes as long as where it is known; no password matches it."""


def _key(password: str, salt: bytes, log_cost: int, block: int, parallel: int) -> bytes:
    with _AT_ONCE:
        return hashlib.scrypt(
            password.encode("utf-8", "surrogatepass"),
            salt=salt, n=2**log_cost, r=block, p=parallel, maxmem=_MEMORY, dklen=_KEY_BYTES,
        )  # fmt: skip


def _text(data: bytes) -> str:
    return base64.b64encode(data).decode().rstrip("=")


def _bytes(text: str) -> bytes:
    return base64.b64decode(text + "=" * (-len(text) % 4))
