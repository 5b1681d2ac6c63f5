"""Which right each address asks for. What is not named here asks to see, and to change something, to answer."""

import re
from typing import Final

from service.people.roles import Right

SAFE: Final = frozenset({"GET", "HEAD", "OPTIONS"})
"""Methods that change nothing."""
SIGN_IN: Final = "/sign-in"
SIGN_OUT: Final = "/sign-out"
LIVE: Final = "/api/v1/live"
_NAMED: Final = (
    (re.compile(r"/healthz|/readyz|/sign-in|/sign-out|/static/.+"), Right.NOTHING),
    (re.compile(r"/my-password|/degrees"), Right.SEE),
    (re.compile(r"/people(/.*)?|/first-owner|/api/v1/people(/.*)?|/api/v1/tokens(/.*)?"), Right.MANAGE),
)


def right_for(method: str, path: str) -> Right:
    """Return the right that a request needs.

    An address that is new, or that nobody thought of here, is closed to strangers, and its changes to viewers.
    """
    for pattern, right in _NAMED:
        if pattern.fullmatch(path):
            return right
    return Right.SEE if method in SAFE else Right.ANSWER
