"""Keeps the NUL character out of every text: no keeper types it, and PostgreSQL cannot store it."""

import re
from typing import Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.api.problems import problem

_SAID: Final = "the request holds a NUL character, which no text may; write the text anew"
_ESCAPED: Final = re.compile(rb"(?<!\\)(?:\\\\)*\\u0000")
"""As JSON writes it; behind an odd number of backslashes it is one, behind an even number the letters themselves."""
_TAIL: Final = 64
"""So much of a piece is looked at again with the next: enough for one that is cut in two. [bytes]"""


class NoNul:
    """Refuses a request with a NUL in its path, its query, a form or a JSON body."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        if "\0" in scope["path"] or b"%00" in scope["query_string"]:
            await problem(Request(scope), 422, _SAID)(scope, receive, send)
            return
        tail = b""

        async def looked_at() -> Message:
            nonlocal tail
            message = await receive()
            seen = tail + message.get("body", b"")
            if has_nul(seen):
                raise HTTPException(422, _SAID)
            tail = seen[-_TAIL:]
            return message

        await self._app(scope, looked_at, send)


def has_nul(body: bytes) -> bool:
    """Whether a form or a JSON text holds a NUL: itself, or as either of them writes it."""
    return b"\0" in body or b"%00" in body or (b"\\u0000" in body and _ESCAPED.search(body) is not None)
