"""Signing in and out, and the first owner."""

from datetime import datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse

from dashboard.pages.forms import Form, go_to, local_path
from dashboard.pages.site import Pages
from service.api.sign_in import SignedIn, clear_cookie, set_cookie, token_in
from service.errors import BadUse, Refused
from service.people.accounts import add_first_owner
from service.people.passwords import SHORTEST
from service.people.signing_in import Admitted, TurnedAway, open_session, sign_in, sign_out
from service.store.people import has_people

_WRONG = "Name or password is not right."
_MINUTE = timedelta(minutes=1)
_LONGEST_PATH = 2_000


def sign_in_router(pages: Pages) -> APIRouter:
    """Return the routes of signing in and out."""
    router = APIRouter(include_in_schema=False)
    parts = pages.parts

    def page(status: int = 200, said: str = "", name: str = "", to: str = "/") -> HTMLResponse:
        with parts.store.read() as session:
            facts, closed = parts.facts(session), has_people(session)
        shown = {"said": said, "name": name, "to": local_path(to), "closed": closed}
        return pages.html("sign_in.html", facts, parts.now(), status, **shown)

    @router.get("/sign-in")
    def _page(to: Annotated[str, Query(max_length=_LONGEST_PATH)] = "/") -> HTMLResponse:
        return page(to=to)

    @router.post("/sign-in")
    def _sign_in(request: Request, form: Form) -> Response:
        name, to, now = form.get("name", ""), form.get("to", "/"), parts.now()
        outcome = sign_in(parts.store, name, form.get("password", ""), address_of(request), now)
        if isinstance(outcome, TurnedAway):
            if outcome.again_at is None:
                return page(401, _WRONG, name, to)
            said, headers = too_many(outcome.again_at, now)
            answer = page(429, said, name, to)
            answer.headers.update(headers)
            return answer
        return signed_in(pages, request, outcome, local_path(to))

    @router.post("/sign-out")
    def _sign_out(request: Request) -> Response:
        token, answer = token_in(request), go_to("/sign-in")
        if token is not None:
            sign_out(parts.store, token)
        clear_cookie(request, answer)
        return answer

    return router


def first_owner_router(pages: Pages) -> APIRouter:
    """Return the routes of making the first account."""
    router = APIRouter(include_in_schema=False)
    parts = pages.parts

    @router.get("/first-owner")
    def _first() -> Response:
        with parts.store.read() as session:
            closed = has_people(session)
        return go_to("/people") if closed or parts.doors.with_accounts else entry(pages, "first_owner.html")

    @router.post("/first-owner")
    def _make(request: Request, person: SignedIn, form: Form) -> Response:
        name, now = form.get("name", ""), parts.now()
        if parts.doors.with_accounts:
            raise Refused("the demo has no accounts: it is open on this computer, and thrown away when it ends")
        try:
            require_same(form)
            made = add_first_owner(parts.store, name, form.get("password", ""), person.name, now)
        except Refused:
            raise
        except BadUse as exc:
            return entry(pages, "first_owner.html", 422, said=f"{exc}.", name=name)
        with parts.store.write() as session:
            token = open_session(session, made.id or 0, now)
        return signed_in(pages, request, Admitted(token, made.name), "/")

    return router


def address_of(request: Request) -> str:
    """Return the address that tries are counted by."""
    return request.client.host if request.client else "unknown"


def too_many(again_at: datetime, now: datetime) -> tuple[str, dict[str, str]]:
    """Return what is said to who tried too often, and the headers that say it to a program."""
    wait = again_at - now
    said = f"Too many tries. The next is taken in {-(-wait // _MINUTE)} min."
    return said, {"Retry-After": str(max(1, int(wait.total_seconds())))}


def entry(
    pages: Pages, template: str, status: int = 200, said: str = "", name: str = "", **shown: object
) -> HTMLResponse:
    """Return a page with a form; `said` says what was wrong with the one that was sent."""
    with pages.parts.store.read() as session:
        facts = pages.parts.facts(session)
    return pages.html(template, facts, pages.parts.now(), status, said=said, name=name, shortest=SHORTEST, **shown)


def require_same(form: dict[str, str]) -> None:
    """Raise BadUse where a new password was not written twice alike."""
    if form.get("password") != form.get("again"):
        raise BadUse("The two passwords are not the same")


def signed_in(pages: Pages, request: Request, admitted: Admitted, to: str) -> Response:
    """Give the browser a new token; the one that it had before is worth nothing any more."""
    before = token_in(request)
    if before is not None:
        sign_out(pages.parts.store, before)
    answer = go_to(to)
    set_cookie(request, answer, admitted.token)
    return answer
