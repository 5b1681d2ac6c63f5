"""The Search page, and the degrees that a visitor reads."""

from typing import Annotated, Final

from fastapi import APIRouter, Query, Request, Response

from dashboard.asked import DEGREES_COOKIE
from dashboard.pages.forms import Form, go_to, local_path
from dashboard.pages.site import Pages
from service.api.finding import find
from service.api.sign_in import SignedIn, is_secure
from service.errors import BadUse
from service.people.preferences import choose_degrees

_MOST: Final = 60
_YEAR_S: Final = 31_536_000


def search_router(pages: Pages) -> APIRouter:
    """Return the routes."""
    router = APIRouter(include_in_schema=False)
    parts = pages.parts

    @router.get("/search")
    def _page(q: Annotated[str, Query(max_length=80)] = "") -> Response:
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
            found = find(session, facts, q, now, _MOST) if q.strip() else []
        if len(found) == 1:
            return go_to(found[0].address)
        return pages.html("search.html", facts, now, query=q, found=found)

    @router.post("/degrees")
    def _degrees(request: Request, person: SignedIn, form: Form) -> Response:
        chosen = form.get("degrees", "")
        if chosen not in {"C", "F"}:
            raise BadUse("degrees: expected C or F")
        if person.person_id is not None:
            choose_degrees(parts.store, person.person_id, chosen)
        answer = go_to(local_path(form.get("back")))
        answer.set_cookie(
            DEGREES_COOKIE, chosen, max_age=_YEAR_S, path="/", secure=is_secure(request), httponly=True, samesite="lax"
        )
        return answer

    return router
