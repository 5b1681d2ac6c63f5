"""The door: who asks, whether they may, and whether a change comes from our own pages.

A browser holds a session's token in a cookie that scripts cannot read (HttpOnly) and that other sites' pages do not
send along with a change (SameSite=Lax). Beside that, a change that a browser sends must come from our own pages: by
`Sec-Fetch-Site`, else by `Origin`, one of which every browser sends with it and no page can forge. A program that
sends the cookie without either must send `X-Wardian`, a header that a page of another site cannot send unasked.
"""

import contextlib
from contextvars import ContextVar
from typing import Annotated, Final
from urllib.parse import quote, urlsplit

import anyio
from fastapi import Depends, Request, Response
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from service.api.access import LIVE, SAFE, SIGN_IN, WALL, may_sign_out, right_for, scope_opens
from service.api.parts import Parts
from service.api.problems import problem
from service.errors import WardianError
from service.people.roles import Right, Role, Visitor
from service.people.sessions import LONGEST
from service.people.signing_in import visitor_of
from service.people.tokens import KeyScope, holder_of
from service.store.people import has_people

COOKIE: Final = "wardian"
SECURE_COOKIE: Final = "__Host-wardian"
WALL_COOKIE: Final = "wardian-wall"
"""Holds the token of a wall's link: it shows the Room page, and nothing else."""
"""Over https: browsers take it from this host alone."""
PROGRAM_HEADER: Final = "x-wardian"
_THIS_COMPUTER: Final = frozenset({"127.0.0.1", "::1"})
_CHALLENGE: Final = {"WWW-Authenticate": f'Cookie form-action="{SIGN_IN}", cookie-name="{COOKIE}"'}
_visitor: ContextVar[Visitor | None] = ContextVar("visitor", default=None)


def current_visitor() -> Visitor | None:
    """Return who makes the request that is being answered; None for a stranger."""
    return _visitor.get()


def _signed_in(request: Request) -> Visitor:
    return request.state.visitor


SignedIn = Annotated[Visitor, Depends(_signed_in)]
"""Who makes the request: the door has seen to it that there is someone, and that they may."""


class Door:
    """Lets a request in, or answers it: 401 or the sign-in page for strangers, 403 for who may not.

    Parameters
    ----------
    app : ASGI application
    parts : Parts
    look_again_s : float
        How often it is looked whether who follows the live stream may still, beside each time that this process
        signs somebody out. [s]
    """

    def __init__(self, app: ASGIApp, parts: Parts, look_again_s: float = 30.0) -> None:
        self._app = app
        self._parts = parts
        self._look_again_s = look_again_s

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        visitor, refusal = await self._look(request)
        if refusal is not None:
            await refusal(scope, receive, send)
            return
        scope.setdefault("state", {})["visitor"] = visitor
        _visitor.set(visitor)
        if request.url.path == LIVE:
            await self._while_admitted(request, receive, send)
            return
        try:
            await self._app(scope, receive, send)
        finally:
            if may_sign_out(request.method, request.url.path):
                self._parts.left.notify()

    async def _look(self, request: Request) -> tuple[Visitor | None, Response | None]:
        """Return who asks, and the answer where they may not come in."""
        right = right_for(request.method, request.url.path)
        try:
            visitor = await run_in_threadpool(who_asks, self._parts, request) if _needs_a_look(request, right) else None
        except WardianError as exc:
            return None, await request.app.exception_handlers[WardianError](request, exc)
        return visitor, _refusal(request, right, visitor)

    async def _while_admitted(self, request: Request, receive: Receive, send: Send) -> None:
        """Answer a stream that does not end by itself until its visitor has signed out."""
        over, count = False, self._parts.left.count

        async def look(answering: anyio.CancelScope) -> None:
            nonlocal over, count
            while not over:
                count = await self._parts.left.wait(self._look_again_s, count)
                # A store that cannot be read now says nothing of who may look.
                with contextlib.suppress(WardianError):
                    over = await run_in_threadpool(who_asks, self._parts, request) is None
            answering.cancel()

        async with anyio.create_task_group() as tasks:
            tasks.start_soon(look, tasks.cancel_scope)
            await self._app(request.scope, receive, send)
            tasks.cancel_scope.cancel()
        if over:
            await send({"type": "http.response.body", "body": b"", "more_body": False})


def who_asks(parts: Parts, request: Request) -> Visitor | None:
    """Return who makes a request: by their session, or as someone whom the doors let in without one."""
    token = token_in(request)
    if token is not None and (visitor := visitor_of(parts.store, token, parts.now())) is not None:
        return visitor
    return _open_visitor(parts, request) or _key_holder(parts, request)


def _key_holder(parts: Parts, request: Request) -> Visitor | None:
    """Return who holds a key: a program by its header, a wall by its cookie."""
    kind, _, key = request.headers.get("authorization", "").partition(" ")
    if kind.lower() == "bearer" and key:
        return holder_of(parts.store, key.strip(), parts.now())
    wall = request.cookies.get(WALL_COOKIE)
    if wall is None or not scope_opens(frozenset({KeyScope.WALL}), request.method, request.url.path):
        return None
    return holder_of(parts.store, wall, parts.now(), only=KeyScope.WALL)


def _open_visitor(parts: Parts, request: Request) -> Visitor | None:
    doors = parts.doors
    if doors.opens_as is None:
        return None
    if doors.hosts is not None:
        client = request.client.host if request.client else ""
        if client not in _THIS_COMPUTER or (request.url.hostname or "") not in doors.hosts:
            return None
    if not doors.with_accounts:
        with parts.store.read() as session:
            if has_people(session):
                return None
    return Visitor(doors.opens_as, Role.OWNER)


def token_in(request: Request) -> str | None:
    """Return the token that the browser holds."""
    return request.cookies.get(SECURE_COOKIE if is_secure(request) else COOKIE)


def is_secure(request: Request) -> bool:
    """Whether the browser speaks https, with us or with a proxy on this computer that says so."""
    return request.url.scheme == "https"


def set_cookie(request: Request, response: Response, token: str) -> None:
    """Give the browser a token to keep."""
    secure = is_secure(request)
    response.set_cookie(
        SECURE_COOKIE if secure else COOKIE, token, max_age=int(LONGEST.total_seconds()), path="/", secure=secure,
        httponly=True, samesite="lax",
    )  # fmt: skip


def clear_cookie(request: Request, response: Response) -> None:
    """Let the browser forget its token."""
    secure = is_secure(request)
    name = SECURE_COOKIE if secure else COOKIE
    response.delete_cookie(name, path="/", secure=secure, httponly=True, samesite="lax")


def _needs_a_look(request: Request, right: Right) -> bool:
    """Whether it matters who asks: not for what is open to all, but for the sign-in page, which says who is there."""
    return right is not Right.NOTHING or request.url.path == SIGN_IN


def _may(request: Request, right: Right, visitor: Visitor) -> bool:
    """Whether a visitor may: by their role, or by what their key opens."""
    if visitor.scopes is not None:
        return scope_opens(visitor.scopes, request.method, request.url.path)
    return visitor.may(right)


def _refusal(request: Request, right: Right, visitor: Visitor | None) -> Response | None:
    """Return the answer to who may not come in; None for who may."""
    if request.method not in SAFE and not _is_from_our_pages(request):
        return problem(
            request, 403,
            "the change was not sent by a page of this service; send it from there, or from a program without a cookie",
        )  # fmt: skip
    if right is Right.NOTHING or (visitor is not None and _may(request, right, visitor)):
        return None
    if visitor is not None and visitor.scopes is not None:
        return problem(request, 403, f"the key {visitor.name!r} is for {', '.join(sorted(visitor.scopes))} alone")
    if visitor is not None:
        return problem(request, 403, f"{visitor.name} is a {visitor.role} here and may not do that; an owner may")
    if request.method in SAFE and "text/html" in request.headers.get("accept", ""):
        return RedirectResponse(_way_in(request), 303, headers={"Cache-Control": "no-store"})
    return problem(request, 401, f"sign in first, at {SIGN_IN}", headers=_CHALLENGE)


def _way_in(request: Request) -> str:
    """Return where a stranger's browser is sent: to sign in, or a wall to what its link is: nobody signs in there."""
    if request.url.path == WALL and WALL_COOKIE in request.cookies:
        return f"{WALL}/over"
    asked = request.url.path + (f"?{request.url.query}" if request.url.query else "")
    return SIGN_IN if asked == "/" else f"{SIGN_IN}?to={quote(asked, safe='/')}"


def _is_from_our_pages(request: Request) -> bool:
    """Whether a change comes from our own pages, or from a program that no browser's user can be tricked into."""
    site, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
    if site is not None:
        return site == "same-origin"
    if origin is not None:
        return urlsplit(origin).netloc == request.headers.get("host")
    return token_in(request) is None or PROGRAM_HEADER in request.headers
