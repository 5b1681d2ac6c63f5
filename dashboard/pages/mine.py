"""One's own password, and the browsers that one is signed in with."""

from typing import Annotated

from fastapi import APIRouter, Path, Request, Response
from fastapi.responses import HTMLResponse

from dashboard.pages.forms import Form, go_to
from dashboard.pages.sign_in import address_of, entry, require_same, signed_in, too_many
from dashboard.pages.site import Pages
from dashboard.words import clock, exact
from service.api.sign_in import SignedIn, clear_cookie, current_visitor
from service.errors import BadUse, Refused
from service.people.accounts import change_password, sign_out_everywhere, sign_out_there
from service.people.sessions import is_over
from service.people.signing_in import Admitted, TurnedAway, open_session, sign_in, sign_out
from service.store.people import sessions_of

_MINE = "/my-password"


def mine_router(pages: Pages) -> APIRouter:
    """Return the routes of one's own password and sessions."""
    router = APIRouter(include_in_schema=False)
    parts = pages.parts

    def page(status: int = 200, said: str = "") -> HTMLResponse:
        return entry(pages, "my_password.html", status, said, sessions=_sessions(pages))

    @router.get("/my-password")
    def _mine() -> HTMLResponse:
        return page()

    @router.post("/my-password")
    def _change(request: Request, person: SignedIn, form: Form) -> Response:
        now, mine = parts.now(), _require_account(person.person_id)
        # As careful as a sign-in: who finds an open screen must not take the account over by guessing.
        outcome = sign_in(parts.store, person.name, form.get("old", ""), address_of(request), now)
        if isinstance(outcome, TurnedAway):
            if outcome.again_at is None:
                return page(422, "The password that you have now is not right.")
            said, headers = too_many(outcome.again_at, now)
            answer = page(429, said)
            answer.headers.update(headers)
            return answer
        sign_out(parts.store, outcome.token)  # it was the password that was tried, no browser gets it
        try:
            require_same(form)
            change_password(parts.store, person.name, form.get("password", ""), person.name, now)
        except BadUse as exc:
            return page(422, f"{exc}.")
        with parts.store.write() as session:
            token = open_session(session, mine, now)
        return signed_in(pages, request, Admitted(token, person.name), "/")

    @router.post("/my-sessions/{number}/end")
    def _end_one(request: Request, number: Annotated[int, Path(ge=1, le=2**31 - 1)], person: SignedIn) -> Response:
        sign_out_there(parts.store, _require_account(person.person_id), number, parts.now())
        return _gone(request) if number == person.session_id else go_to(_MINE)

    @router.post("/my-sessions/end")
    def _end_all(request: Request, person: SignedIn) -> Response:
        _require_account(person.person_id)
        sign_out_everywhere(parts.store, person.name, person.name, parts.now())
        return _gone(request)

    return router


def _gone(request: Request) -> Response:
    answer = go_to("/sign-in")
    clear_cookie(request, answer)
    return answer


def _require_account(person_id: int | None) -> int:
    if person_id is None:
        raise Refused("nobody is signed in here, so there is no password and no sign-in to change")
    return person_id


def _sessions(pages: Pages) -> list[tuple[int, bool, str, str, str, str]]:
    """Return the visitor's sessions: number, whether it is this one, since when and last seen, each short and exact."""
    visitor = current_visitor()
    if visitor is None or visitor.person_id is None:
        return []
    now = pages.parts.now()
    with pages.parts.store.read() as session:
        zone, rows = pages.parts.facts(session).zone, sessions_of(session, visitor.person_id)
    return [
        (
            row.id or 0, row.id == visitor.session_id,
            clock(row.made_at, zone, now), exact(row.made_at, zone),
            clock(row.seen_at, zone, now), exact(row.seen_at, zone),
        )
        for row in rows
        if not is_over(row.made_at, row.seen_at, now)
    ]  # fmt: skip
