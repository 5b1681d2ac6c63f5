"""The People page: who can sign in, and as what. For owners."""

from collections import Counter
from collections.abc import Callable
from typing import Any

from fastapi import APIRouter, Response
from fastapi.responses import HTMLResponse

from dashboard.pages.forms import Form, go_to
from dashboard.pages.site import Pages
from dashboard.telling import telling_view
from dashboard.words import clock
from service.api.sign_in import SignedIn
from service.errors import BadUse, Refused
from service.model import Change
from service.people.accounts import add_account, change_password, change_role, end_account, sign_out_everywhere
from service.people.invitations import DAYS, LONGEST_DAYS, role_of
from service.people.passwords import SHORTEST
from service.people.roles import Role
from service.people.sessions import is_over
from service.store.invitations import open_invitations
from service.store.people import all_people, changes_of_people, has_people, sessions_of

_SHOWN = 20


class PeoplePage:
    """The page as it stands, with what is said about the last change."""

    def __init__(self, pages: Pages) -> None:
        self._pages = pages

    def page(self, said: str = "", status: int = 200, link: str = "", invited: str = "") -> HTMLResponse:
        """Return the page; `link` is an invitation that was just made, shown this once."""
        parts, now = self._pages.parts, self._pages.parts.now()
        with parts.store.read() as session:
            facts, people = parts.facts(session), all_people(session)
            telling = telling_view(session, facts, now, has_link=bool(parts.settings.public_url))
            changes = [(clock(one.at, facts.zone, now), _in_words(one)) for one in changes_of_people(session, _SHOWN)]
            waiting = open_invitations(session, now)
            browsers = Counter(
                one.id
                for one in people
                for there in sessions_of(session, one.id or 0)
                if not is_over(there.made_at, there.seen_at, now)
            )
        shown: dict[str, Any] = {
            "people": [
                (one.name, one.role, clock(one.made_at, facts.zone, now), one.made_by, browsers[one.id])
                for one in people
            ],
            "invitations": [
                (one.id, one.name, role_of(one), one.made_by, clock(one.made_at, facts.zone, now),
                 clock(one.expires_at or now, facts.zone, now))
                for one in waiting
            ],
            "said": said, "roles": list(Role), "shortest": SHORTEST, "changes": changes, "telling": telling,
            "link": link, "invited": invited, "days": DAYS, "longest_days": LONGEST_DAYS,
        }  # fmt: skip
        return self._pages.html("people.html", facts, now, status, **shown)

    def refused(self, exc: BadUse) -> HTMLResponse:
        """Return the page with the reason why nothing was changed."""
        return self.page(f"Nothing was changed: {exc}.", 409 if isinstance(exc, Refused) else 422)

    def require_accounts(self) -> None:
        """Raise Refused where the room is open, so that accounts would mean nothing."""
        with self._pages.parts.store.read() as session:
            if self._pages.parts.doors.with_accounts or not has_people(session):
                raise Refused("this room has no accounts: the first is an owner's")


def people_router(pages: Pages, people: PeoplePage) -> APIRouter:
    """Return the routes of the page."""
    router = APIRouter(include_in_schema=False)
    parts = pages.parts

    def do(change: Callable[[], object]) -> Response:
        try:
            people.require_accounts()
            change()
        except BadUse as exc:
            return people.refused(exc)
        return go_to("/people")

    @router.get("/people")
    def _page() -> HTMLResponse:
        return people.page()

    @router.post("/people")
    def _add(person: SignedIn, form: Form) -> Response:
        name, password = form.get("name", ""), form.get("password", "")
        return do(lambda: add_account(parts.store, name, password, role_of_form(form), person.name, parts.now()))

    @router.post("/people/role")
    def _change_role(person: SignedIn, form: Form) -> Response:
        return do(lambda: change_role(parts.store, form.get("name", ""), role_of_form(form), person.name, parts.now()))

    @router.post("/people/password")
    def _change_password(person: SignedIn, form: Form) -> Response:
        name, password = form.get("name", ""), form.get("password", "")
        return do(lambda: change_password(parts.store, name, password, person.name, parts.now()))

    @router.post("/people/sign-out")
    def _sign_out(person: SignedIn, form: Form) -> Response:
        return do(lambda: sign_out_everywhere(parts.store, form.get("name", ""), person.name, parts.now()))

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
    if said := _of_doors(change.by, whose, before, after):
        return said
    if not before:
        return f"{change.by} made the account of {whose}, {after.get('role', 'viewer')}"
    if not after:
        return f"{change.by} ended the account of {whose}, {before.get('role', 'viewer')}"
    return f"{change.by} made {whose} {after.get('role')}, before {before.get('role')}"


def _of_doors(by: str, whose: str, before: dict[str, Any], after: dict[str, Any]) -> str | None:
    """Return a change of how somebody comes in, or of who is to come, as a sentence; None for another."""
    if "password" in after:
        return f"{by} gave {whose} another password"
    if "signed out" in after:
        where = after["signed out"]
        return f"{by} signed out {where}" if by == whose else f"{by} signed {whose} out {where}"
    if "invited" in after:
        return f"{by} invited {whose}, {after['invited']}"
    if "invited" in before:
        return f"{by} withdrew the invitation of {whose}, {before['invited']}"
    if "invited by" in after:
        return f"{whose} took up the invitation of {after['invited by']}, {after.get('role', 'viewer')}"
    return None


def role_of_form(form: dict[str, str]) -> Role:
    """Return the role that a form asks for. Raises BadUse for a word that is none."""
    try:
        return Role(form.get("role", ""))
    except ValueError as exc:
        raise BadUse(f"role: expected {', '.join(Role)}, got {form.get('role', '')[:20]!r}") from exc
