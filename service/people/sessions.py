"""How long a sign-in lasts, and how many are tried (pure)."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

TOKEN_BYTES: Final = 32
"""Of chance: 256 bits."""
LONGEST: Final = timedelta(days=90)
"""From signing in. Common practice, no source."""
UNSEEN: Final = timedelta(days=14)
"""Since the last request. Common practice, no source."""
AHEAD: Final = timedelta(days=1)
"""A session that was made so far ahead of now is over: the clock was set back. Common practice, no source."""
NOTED_EVERY: Final = timedelta(minutes=5)
"""So often is it written down that a session was seen: a write for each request would be too many."""


@dataclass(frozen=True, slots=True)
class Patience:
    """How many failed sign-ins are borne within a window."""

    most: int
    window: timedelta


WINDOW: Final = timedelta(minutes=15)
BY_ADDRESS: Final = Patience(20, WINDOW)
"""A household shares an address. Common practice, no source."""
BY_NAME: Final = Patience(10, WINDOW)
"""From all addresses together. Common practice, no source."""


def token_digest(token: str) -> str:
    """Return what is kept of a session's token: who reads the database cannot sign in with it.

    A token is 256 bits of chance, so a plain digest is enough: there is nothing to guess.
    """
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def is_over(made_at: datetime, seen_at: datetime, now: datetime) -> bool:
    """Whether a session has lasted too long, or was not seen for too long.

    So is one that was made far ahead of now, before the clock was set back: it would last for as much longer.
    """
    return now >= made_at + LONGEST or now >= seen_at + UNSEEN or made_at > now + AHEAD


def free_at(tries: Sequence[datetime], now: datetime, patience: Patience) -> datetime | None:
    """Return when the next try is borne; None when one is now.

    Tries from further ahead than the window were made before the clock was set back: they keep nobody out.

    Parameters
    ----------
    tries : sequence of datetime
        Failed ones, in any order.
    now : datetime
    patience : Patience
    """
    recent = sorted(at for at in tries if now - patience.window < at <= now + patience.window)
    if len(recent) < patience.most:
        return None
    return recent[-patience.most] + patience.window
