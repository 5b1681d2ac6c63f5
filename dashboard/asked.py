"""What the page that is being made was asked with: its path, and the degrees that who asks reads."""

from contextvars import ContextVar
from typing import Final, Literal

from starlette.requests import cookie_parser
from starlette.types import ASGIApp, Receive, Scope, Send

from service.api.sign_in import current_visitor

Degrees = Literal["C", "F"]
DEGREES_COOKIE: Final = "wardian-degrees"
_path: ContextVar[str] = ContextVar("path", default="")
_chosen: ContextVar[str] = ContextVar("chosen", default="")


class Asked:
    """Notes what a request asks with, for whoever renders the answer."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] == "http":
            _path.set(scope.get("raw_path", b"").decode("latin-1") or scope["path"])
            _chosen.set(_cookie(scope).get(DEGREES_COOKIE, ""))
        await self._app(scope, receive, send)


def asked_path() -> str:
    """Return the path that was asked for; empty outside a request."""
    return _path.get()


def degrees() -> Degrees:
    """Return the degrees that who asks reads: a person's own choice, else the browser's, else Celsius."""
    visitor = current_visitor()
    chosen = visitor.degrees if visitor is not None and visitor.degrees else _chosen.get()
    return "F" if chosen == "F" else "C"


def _cookie(scope: Scope) -> dict[str, str]:
    sent = [value.decode("latin-1") for name, value in scope["headers"] if name == b"cookie"]
    return cookie_parser("; ".join(sent))
