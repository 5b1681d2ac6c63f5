"""The People page: who can sign in, and as what. For owners."""

from collections.abc import Callable

from fastapi import APIRouter, Response
from fastapi.responses import HTMLResponse

from dashboard.pages.forms import Form, go_to
from dashboard.pages.site import Pages
from dashboard.telling import telling_view
from dashboard.words import clock
from service.api.sign_in import SignedIn
from service.errors import BadUse, Refused
from service.model import Change
from service.people.accounts import add_account, change_password, change_role, end_account
from service.people.passwords import SHORTEST
from service.people.roles import Role
from service.store.people import all_people, changes_of_people, has_people

_SHOWN = 20


def people_router(pages: Pages) -> APIRouter:
    """Return the routes of the page."""
    router = APIRouter(include_in_schema=False)
    parts = pages.parts

    def page(said: str = "", status: int = 200) -> HTMLResponse:
        with parts.store.read() as session:
            facts, now, people = parts.facts(session), parts.now(), all_people(session)
            telling = telling_view(session, facts, now, has_link=bool(parts.settings.public_url))
            changes = [(clock(one.at, facts.zone, now), _in_words(one)) for one in changes_of_people(session, _SHOWN)]
        rows = [(one.name, one.role, clock(one.made_at, facts.zone, now), one.made_by) for one in people]
        shown = {"said": said, "people": rows, "roles": list(Role), "shortest": SHORTEST, "changes": changes}
        return pages.html("people.html", facts, now, status, telling=telling, **shown)

    def do(change: Callable[[], object]) -> Response:
        try:
            with parts.store.read() as session:
                if parts.doors.with_accounts or not has_people(session):
                    raise Refused("this room has no accounts: the first is an owner's")
            change()
        except BadUse as exc:
            return page(f"Nothing was changed: {exc}.", 409 if isinstance(exc, Refused) else 422)
        return go_to("/people")

    @router.get("/people")
    def _page() -> HTMLResponse:
        return page()

    @router.post("/people")
    def _add(person: SignedIn, form: Form) -> Response:
        name, password = form.get("name", ""), form.get("password", "")
        return do(lambda: add_account(parts.store, name, password, _role(form), person.name, parts.now()))

    @router.post("/people/role")
    def _change_role(person: SignedIn, form: Form) -> Response:
        return do(lambda: change_role(parts.store, form.get("name", ""), _role(form), person.name, parts.now()))

    @router.post("/people/password")
    def _change_password(person: SignedIn, form: Form) -> Response:
        name, password = form.get("name", ""), form.get("password", "")
        return do(lambda: change_password(parts.store, name, password, person.name, parts.now()))

    @router.post("/people/end")
    def _end(person: SignedIn, form: Form) -> Response:
        name = form.get("name", "")
        return do(lambda: _end_named(pages, name, form.get("confirm", ""), person.name))

    return router


def _end_named(pages: Pages, name: str, confirm: str, by: str) -> None:
    if confirm.strip() != name:
        raise BadUse(f"to end the account of {name}, write the name {name} beside it")
    end_account(pages.parts.store, name, by, pages.parts.now())


def _in_words(change: Change) -> str:
    """Return a change of an account as a sentence: who, whose, what."""
    before, after = change.before or {}, change.after or {}
    whose = change.subject.removeprefix("person ").strip('"')
    if "password" in after:
        return f"{change.by} gave {whose} another password"
    if not before:
        return f"{change.by} made the account of {whose}, {after.get('role', 'viewer')}"
    if not after:
        return f"{change.by} ended the account of {whose}, {before.get('role', 'viewer')}"
    return f"{change.by} made {whose} {after.get('role')}, before {before.get('role')}"


def _role(form: dict[str, str]) -> Role:
    try:
        return Role(form.get("role", ""))
    except ValueError as exc:
        raise BadUse(f"role: expected {', '.join(Role)}, got {form.get('role', '')[:20]!r}") from exc
