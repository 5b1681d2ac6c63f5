"""Invitations: an owner makes a link, and who opens it chooses a password.

The secret stands in the address of the link alone. Opening it puts it into a cookie that scripts cannot read and shows
a page with an address of its own: so it is neither in that page, nor in what a browser says of where it came from.
"""

from typing import Annotated, Final

from fastapi import APIRouter, Path, Request, Response
from fastapi.responses import HTMLResponse

from dashboard.pages.forms import Form, go_to
from dashboard.pages.people import PeoplePage, role_of_form
from dashboard.pages.sign_in import address_of, entry, require_same, signed_in, too_many
from dashboard.pages.site import Pages
from dashboard.words import clock
from service.api.access import INVITATION
from service.api.sign_in import SignedIn, is_secure
from service.errors import BadUse
from service.people.invitations import DAYS, LONGEST_DAYS, invite, look_at, take_up, withdraw
from service.people.signing_in import TurnedAway

_COOKIE: Final = "wardian-invitation"
_KEPT_S: Final = 3_600
"""As long as choosing a password may take; the link itself brings it back. [s]"""
_CLOSED: Final = "This link opens nothing. Ask who invited you for another."


def _turned_away(pages: Pages, outcome: TurnedAway) -> Response:
    if outcome.again_at is None:
        return entry(pages, "invitation_closed.html", 404, _CLOSED)
    said, headers = too_many(outcome.again_at, pages.parts.now())
    answer = entry(pages, "invitation_closed.html", 429, said)
    answer.headers.update(headers)
    return answer


def _form(pages: Pages, request: Request, said: str = "") -> Response:
    parts, now = pages.parts, pages.parts.now()
    found = look_at(parts.store, request.cookies.get(_COOKIE, ""), address_of(request), now)
    if isinstance(found, TurnedAway):
        return _turned_away(pages, found)
    with parts.store.read() as session:
        zone = parts.facts(session).zone
    shown = {"role": str(found.role), "by": found.by, "ends": clock(found.ends_at, zone, now)}
    return entry(pages, "invitation.html", 422 if said else 200, said, found.name, **shown)


def invitation_router(pages: Pages) -> APIRouter:
    """Return the routes of who was invited."""
    router = APIRouter(include_in_schema=False)
    parts = pages.parts

    @router.get("/invitation")
    def _page(request: Request) -> Response:
        return _form(pages, request)

    @router.get("/invitation/{secret}")
    def _open(request: Request, secret: str) -> Response:
        found = look_at(parts.store, secret, address_of(request), parts.now())
        if isinstance(found, TurnedAway):
            return _turned_away(pages, found)
        answer = go_to(INVITATION)
        answer.headers["Referrer-Policy"] = "no-referrer"
        answer.set_cookie(
            _COOKIE, secret, max_age=_KEPT_S, path=INVITATION, secure=is_secure(request), httponly=True, samesite="lax"
        )
        return answer

    @router.post("/invitation")
    def _take_up(request: Request, form: Form) -> Response:
        secret = request.cookies.get(_COOKIE, "")
        try:
            require_same(form)
            outcome = take_up(parts.store, secret, form.get("password", ""), address_of(request), parts.now())
        except BadUse as exc:
            return _form(pages, request, f"{exc}.")
        if isinstance(outcome, TurnedAway):
            return _turned_away(pages, outcome)
        answer = signed_in(pages, request, outcome, "/")
        answer.delete_cookie(_COOKIE, path=INVITATION, secure=is_secure(request), httponly=True, samesite="lax")
        return answer

    return router


def inviting_router(pages: Pages, people: PeoplePage) -> APIRouter:
    """Return the routes of who invites."""
    router = APIRouter(include_in_schema=False)
    parts = pages.parts

    @router.post("/people/invitations")
    def _invite(request: Request, person: SignedIn, form: Form) -> HTMLResponse:
        try:
            people.require_accounts()
            days = _days(form.get("days", ""))
            made = invite(parts.store, form.get("name", ""), role_of_form(form), person.name, parts.now(), days)
        except BadUse as exc:
            return people.refused(exc)
        base = parts.settings.public_url or f"{request.url.scheme}://{request.headers.get('host', '')}"
        return people.page(link=f"{base}{INVITATION}/{made.secret}", invited=made.name)

    @router.post("/people/invitations/{number}/withdraw")
    def _withdraw(number: Annotated[int, Path(ge=1, le=2**31 - 1)], person: SignedIn) -> Response:
        withdraw(parts.store, number, person.name, parts.now())
        return go_to("/people")

    return router


def _days(text: str) -> int:
    if not text.strip():
        return DAYS
    if not (text.isascii() and text.isdigit() and len(text) <= len(str(LONGEST_DAYS))):
        raise BadUse(f"days: expected a whole number from 1 to {LONGEST_DAYS}, got {text[:10]!r}")
    return int(text)
