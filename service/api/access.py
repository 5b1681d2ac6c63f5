"""Which right each address asks for. What is not named here asks to see, and to change something, to answer."""

import re
from typing import Final

from service.people.roles import Right

SAFE: Final = frozenset({"GET", "HEAD", "OPTIONS"})
"""Methods that change nothing."""
SIGN_IN: Final = "/sign-in"
SIGN_OUT: Final = "/sign-out"
LIVE: Final = "/api/v1/live"
WALL: Final = "/wall"
INVITATION: Final = "/invitation"
_NAMED: Final = (
    (re.compile(r"/healthz|/readyz|/sign-in|/sign-out|/static/.+|/wall/[^/]+|/invitation(/[^/]+)?"), Right.NOTHING),
    (re.compile(r"/my-password|/my-sessions/.+|/degrees"), Right.SEE),
    (
        re.compile(
            r"/people(/.*)?|/set-up/room\.toml|/telling/(contacts|steps)(/.*)?|/first-owner"
            r"|/api/v1/people(/.*)?|/api/v1/tokens(/.*)?"
        ),
        Right.MANAGE,
    ),
)


def right_for(method: str, path: str) -> Right:
    """Return the right that a request needs.

    An address that is new, or that nobody thought of here, is closed to strangers, and its changes to viewers.
    """
    for pattern, right in _NAMED:
        if pattern.fullmatch(path):
            return right
    return Right.SEE if method in SAFE else Right.ANSWER


_SIGNS_OUT: Final = re.compile(r"/sign-(in|out)|/my-.+|/people/.+|/invitation|/api/v1/(people|tokens)/.+")
"""Changes after which somebody may have lost what they had: whoever follows the live stream is looked at anew."""


def may_sign_out(method: str, path: str) -> bool:
    """Whether a request may end a session or a key."""
    return method not in SAFE and _SIGNS_OUT.fullmatch(path) is not None


_SCOPES: Final = (
    ("read", SAFE, re.compile(r"/api/v1/(?!people|tokens).*")),
    ("readings:write", frozenset({"POST"}), re.compile(r"/api/v1/readings")),
    ("metrics", SAFE, re.compile(r"/metrics")),
    ("wall", SAFE, re.compile(r"/wall|/fragments/wall|/api/v1/live")),
)
"""What each scope of a key lets in to; whatever is not named here, no key opens."""


def scope_opens(scopes: frozenset[str], method: str, path: str) -> bool:
    """Whether a key with these scopes lets in to an address."""
    return any(scope in scopes and method in methods and pattern.fullmatch(path) for scope, methods, pattern in _SCOPES)
