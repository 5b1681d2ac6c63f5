"""Signing in and out, the first owner, and one's own password."""

from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse

from dashboard.pages.forms import Form, go_to, local_path
from dashboard.pages.site import Pages
from service.api.sign_in import SignedIn, clear_cookie, set_cookie, token_in
from service.errors import BadUse, Refused
from service.people.accounts import add_first_owner, change_password
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
        address = request.client.host if request.client else "unknown"
        outcome = sign_in(parts.store, name, form.get("password", ""), address, now)
        if isinstance(outcome, TurnedAway):
            if outcome.again_at is None:
                return page(401, _WRONG, name, to)
            wait = outcome.again_at - now
            answer = page(429, f"Too many tries. The next is taken in {-(-wait // _MINUTE)} min.", name, to)
            answer.headers["Retry-After"] = str(max(1, int(wait.total_seconds())))
            return answer
        return _signed_in(pages, request, outcome, local_path(to))

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
        return go_to("/people") if closed or parts.doors.with_accounts else _entry(pages, "first_owner.html")

    @router.post("/first-owner")
    def _make(request: Request, person: SignedIn, form: Form) -> Response:
        name, now = form.get("name", ""), parts.now()
        if parts.doors.with_accounts:
            raise Refused("the demo has no accounts: it is open on this computer, and thrown away when it ends")
        try:
            _require_same(form)
            made = add_first_owner(parts.store, name, form.get("password", ""), person.name, now)
        except Refused:
            raise
        except BadUse as exc:
            return _entry(pages, "first_owner.html", 422, said=f"{exc}.", name=name)
        with parts.store.write() as session:
            token = open_session(session, made.id or 0, now)
        return _signed_in(pages, request, Admitted(token, made.name), "/")

    return router


def password_router(pages: Pages) -> APIRouter:
    """Return the routes of one's own password."""
    router = APIRouter(include_in_schema=False)
    parts = pages.parts

    @router.get("/my-password")
    def _mine() -> HTMLResponse:
        return _entry(pages, "my_password.html")

    @router.post("/my-password")
    def _change(request: Request, person: SignedIn, form: Form) -> Response:
        now, address = parts.now(), request.client.host if request.client else "unknown"
        if person.person_id is None:
            raise Refused("nobody is signed in here, so there is no password to change")
        # As careful as a sign-in: who finds an open screen must not take the account over by guessing.
        if isinstance(sign_in(parts.store, person.name, form.get("old", ""), address, now), TurnedAway):
            return _entry(pages, "my_password.html", 422, said="The password that you have now is not right.")
        try:
            _require_same(form)
            change_password(parts.store, person.name, form.get("password", ""), person.name, now)
        except BadUse as exc:
            return _entry(pages, "my_password.html", 422, said=f"{exc}.")
        with parts.store.write() as session:
            token = open_session(session, person.person_id, now)
        return _signed_in(pages, request, Admitted(token, person.name), "/")

    return router


def _entry(pages: Pages, template: str, status: int = 200, said: str = "", name: str = "") -> HTMLResponse:
    """Return a page with a form; `said` says what was wrong with the one that was sent."""
    with pages.parts.store.read() as session:
        facts = pages.parts.facts(session)
    return pages.html(template, facts, pages.parts.now(), status, said=said, name=name, shortest=SHORTEST)


def _require_same(form: dict[str, str]) -> None:
    if form.get("password") != form.get("again"):
        raise BadUse("The two passwords are not the same")


def _signed_in(pages: Pages, request: Request, admitted: Admitted, to: str) -> Response:
    """Give the browser a new token; the one that it had before is worth nothing any more."""
    before = token_in(request)
    if before is not None:
        sign_out(pages.parts.store, before)
    answer = go_to(to)
    set_cookie(request, answer, admitted.token)
    return answer
