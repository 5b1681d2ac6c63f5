"""The wall: the Room page on a screen that nobody signs in on, let in by a key; and the page of those keys."""

from datetime import timedelta
from typing import Annotated, Final

from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.responses import HTMLResponse

from dashboard.pages.forms import Form, go_to
from dashboard.pages.room import tiles_wanted
from dashboard.pages.site import Pages
from dashboard.room import RoomViews
from dashboard.words import clock
from service.api.access import WALL
from service.api.live import live_position
from service.api.sign_in import WALL_COOKIE, SignedIn, is_secure
from service.errors import BadUse
from service.people.tokens import KeyScope, holder_of, make_key, revoke_key
from service.store.tokens import tokens

_KEPT_S: Final = 400 * 86_400
"""As long as browsers keep a cookie; each showing begins it anew."""
_LONGEST_LIST: Final = 60_000
_WORDS: Final = {
    KeyScope.WALL: "the Room page on a wall",
    KeyScope.READ: "reading everything over HTTP",
    KeyScope.READINGS: "sending readings over HTTP",
    KeyScope.METRICS: "the service's metrics",
}


def wall_router(pages: Pages, views: RoomViews) -> APIRouter:
    """Return the routes of the wall."""
    router = APIRouter(include_in_schema=False)
    parts = pages.parts

    @router.get("/wall")
    def _wall(request: Request) -> HTMLResponse:
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
            view, after = views.view(session, facts, now), live_position(session)
        answer = pages.html("wall.html", facts, now, view=view, live_after=after)
        if key := request.cookies.get(WALL_COOKIE):
            _keep(request, answer, key)
        return answer

    @router.get("/fragments/wall")
    def _tiles(enclosures: Annotated[str, Query(max_length=_LONGEST_LIST)] = "") -> Response:
        return tiles_wanted(pages, views, enclosures)

    @router.get("/wall/{key}")
    def _enter(request: Request, key: str) -> Response:
        if holder_of(parts.store, key, parts.now(), only=KeyScope.WALL) is None:
            with parts.store.read() as session:
                facts = parts.facts(session)
            return pages.html("wall_closed.html", facts, parts.now(), 404)
        answer = go_to(WALL)
        _keep(request, answer, key)
        return answer

    return router


def _keep(request: Request, answer: Response, key: str) -> None:
    answer.set_cookie(
        WALL_COOKIE, key, max_age=_KEPT_S, path="/", secure=is_secure(request), httponly=True, samesite="lax"
    )


def keys_router(pages: Pages) -> APIRouter:
    """Return the routes of the page where owners make and revoke keys."""
    router = APIRouter(include_in_schema=False)
    parts = pages.parts

    def page(said: str = "", status: int = 200, made: str = "", is_wall: bool = False) -> HTMLResponse:
        with parts.store.read() as session:
            facts, now, rows = parts.facts(session), parts.now(), tokens(session)
        shown = [
            (
                row.id, row.name, [_WORDS[KeyScope(scope)] for scope in row.scopes.split()],
                clock(row.made_at, facts.zone, now), row.made_by,
                clock(row.expires_at, facts.zone, now) if row.expires_at else "",
                clock(row.seen_at, facts.zone, now) if row.seen_at else "",
                row.revoked_at is None and (row.expires_at is None or row.expires_at > now),
            )
            for row in rows
        ]  # fmt: skip
        told = {"said": said, "made": made, "is_wall": is_wall, "keys": shown, "scopes": _WORDS}
        return pages.html("keys.html", facts, now, status, **told)

    @router.get("/people/keys")
    def _page() -> HTMLResponse:
        return page()

    @router.post("/people/keys")
    def _make(request: Request, person: SignedIn, form: Form) -> Response:
        scopes = [scope for scope in KeyScope if form.get(f"scope-{scope}")]
        try:
            days = form.get("days", "").strip()
            lasts = timedelta(days=_whole(days)) if days else None
            made = make_key(parts.store, form.get("name", ""), scopes, person.name, parts.now(), lasts)
        except BadUse as exc:
            return page(f"Nothing was made: {exc}.", 422)
        is_wall = KeyScope.WALL in scopes
        secret = (
            f"{request.url.scheme}://{request.headers.get('host', '')}{WALL}/{made.secret}" if is_wall else made.secret
        )
        return page(made=secret, is_wall=is_wall)

    @router.post("/people/keys/{number}/revoke")
    def _revoke(number: Annotated[int, Path(ge=1, le=2**31 - 1)], person: SignedIn) -> Response:
        revoke_key(parts.store, number, person.name, parts.now())
        return go_to("/people/keys")

    return router


def _whole(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) <= 4):  # noqa: PLR2004 - ten years in days
        raise BadUse(f"days: expected a whole number, got {text[:10]!r}")
    return int(text)
