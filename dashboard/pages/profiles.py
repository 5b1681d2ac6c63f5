"""The Profiles pages: the list, one profile, the editor, and the trial of a draft."""

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Final
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.responses import HTMLResponse
from markupsafe import Markup

from dashboard.held import authors_of
from dashboard.pages.forms import LongForm, go_to
from dashboard.pages.site import Pages
from dashboard.profile_form import fields_of, table_of
from dashboard.profiles import cards, draft_day, planned_words, profile_view
from dashboard.since import asked_anew, days_anew, local_text, reaching_back
from dashboard.trial_view import trial_view
from service.api.profile_saving import known_profile, require_possible, save_profile
from service.api.profile_trial import MOST_DAYS, followers
from service.api.sign_in import SignedIn
from service.api.trials import Trials
from service.errors import BadUse, NotFound, Refused
from service.model import to_ms
from service.roomfile.editing import edit_room, profile_draft, without
from service.roomfile.library import library
from service.roomfile.sane_targets import Doubt, doubts_about
from service.store.facts import RoomFacts
from service.watch.conditions import HEAT_CAUTION

USUAL_DAYS: Final = 30
TrialNumber = Annotated[int, Path(ge=1, le=2**31 - 1)]


def profiles_router(pages: Pages) -> APIRouter:
    """Return the routes of the pages."""
    router = APIRouter(include_in_schema=False)
    desk = _Desk(pages)

    @router.get("/profiles")
    def _list() -> HTMLResponse:
        return desk.all()

    @router.get("/profiles/{key}")
    def _one(key: str, anew: Annotated[str, Query(max_length=8)] = "") -> HTMLResponse:
        return desk.one(key, done=reaching_back(anew))

    @router.post("/profiles/{key}/retire")
    def _retire(key: str, person: SignedIn, form: LongForm) -> Response:
        return desk.retire(key, form, person.name)

    @router.get("/new-profile")
    def _new(start: Annotated[str, Query(alias="from", max_length=64)] = "") -> HTMLResponse:
        return desk.editor("", start, "")

    @router.post("/new-profile")
    def _add(person: SignedIn, form: LongForm) -> Response:
        return desk.save(form.get("id", "").strip(), form, person.name, is_new=True)

    _add_editor(router, desk)
    return router


def _add_editor(router: APIRouter, desk: "_Desk") -> None:
    @router.get("/profiles/{key}/edit")
    def _edit(request: Request, key: str, trial: Annotated[int, Query(ge=0, le=2**31 - 1)] = 0) -> HTMLResponse:
        draft = _trials(request).get(key, trial).draft if trial else None
        return desk.editor(key, key, "", _Sent(key, draft.species, draft.body(), draft.from_at) if draft else None)

    @router.post("/profiles/{key}/edit")
    def _sent(request: Request, key: str, person: SignedIn, form: LongForm) -> Response:
        if form.get("do") == "try":
            return desk.begin_trial(_trials(request), key, form)
        return desk.save(key, form, person.name, is_new=False)

    @router.post("/fragments/profile-day")
    def _drawn(form: LongForm) -> HTMLResponse:
        return desk.drawn(form)

    @router.get("/profiles/{key}/trial/{number}")
    def _trial(request: Request, key: str, number: TrialNumber) -> HTMLResponse:
        return desk.trial(_trials(request), key, number)

    @router.post("/profiles/{key}/trial/{number}/save")
    def _save_tried(request: Request, key: str, number: TrialNumber, person: SignedIn) -> Response:
        return desk.save_tried(_trials(request), key, number, person.name)


def _trials(request: Request) -> Trials:
    return request.app.state.trials


@dataclass(frozen=True, slots=True)
class _Sent:
    """What the editor begins with, or what was sent from it."""

    key: str
    species: str
    body: dict[str, Any]
    since: datetime | None = None

    def table(self) -> dict[str, Any]:
        """Return it as a `[[profile]]` of a room file."""
        table = {"id": self.key or "new", "species": self.species, "target": _bare(self.body["target"])}
        table |= {"notes": self.body["notes"]} if self.body.get("notes") else {}
        table |= {"from": self.since} if self.since else {}
        seasons = [{**season, "target": _bare(season["target"])} for season in self.body.get("season", [])]
        return table | ({"season": seasons} if seasons else {})


def _begin(facts: RoomFacts, key: str, start: str) -> _Sent:
    version = next(iter(facts.profile_versions.get(start, ())[-1:]), None)
    if version is not None:
        return _Sent(key, version.species, version.body)
    shipped = library().get(start)
    return _Sent(start, shipped.species, shipped.body()) if shipped else _Sent(key, "", {"target": []})


class _Desk:
    """Shows the pages, and what came of what was sent."""

    def __init__(self, pages: Pages) -> None:
        self._pages, self._parts = pages, pages.parts

    def all(self) -> HTMLResponse:
        """Return the list of profiles."""
        with self._parts.store.read() as session:
            facts, now = self._parts.facts(session), self._parts.now()
        there, shipped = cards(facts, now)
        return self._pages.html("profiles.html", facts, now, there=there, shipped=shipped)

    def one(self, key: str, said: str = "", status: int = 200, done: str = "") -> HTMLResponse:
        """Return a profile's page; a shipped one that the room does not have is offered as a start."""
        with self._parts.store.read() as session:
            facts, now = self._parts.facts(session), self._parts.now()
            authors = authors_of(session, key)
        if not facts.profile_versions.get(key) and key in library():
            return self.editor("", key, "")
        known_profile(facts, key)
        shown = {"view": profile_view(facts, key, now, authors), "heat": HEAT_CAUTION, "said": said, "done": done}
        return self._pages.html("profile.html", facts, now, status, **shown)

    def editor(self, key: str, start: str, said: str, sent: _Sent | None = None, status: int = 200) -> HTMLResponse:
        """Return the editor: of a profile, or where `key` is empty of a new one that begins as another is."""
        with self._parts.store.read() as session:
            facts, now = self._parts.facts(session), self._parts.now()
        if key:
            known_profile(facts, key)
        begun = sent or _begin(facts, key, start)
        fields = fields_of(begun.key, begun.species, begun.body, local_text(begun.since, facts.zone))
        day, doubts = self._picture(facts, now, begun)
        shown = {"fields": fields, "is_new": not key, "said": said, "day": day, "doubts": doubts, "heat": HEAT_CAUTION}
        shown |= {"planned": planned_words(facts, key, now) if key else ""}
        spans = {"usual_days": USUAL_DAYS, "most_days": MOST_DAYS}
        return self._pages.html("profile_edit.html", facts, now, status, **shown, **spans)

    def _picture(self, facts: RoomFacts, now: datetime, begun: _Sent) -> tuple[Markup | None, list[Doubt]]:
        try:
            draft = profile_draft(begun.table())
        except BadUse:
            return None, []
        return draft_day(facts, draft, now), doubts_about(draft.targets)

    def save(self, key: str, form: dict[str, str], by: str, *, is_new: bool) -> Response:
        """Save what was sent, or show it again with what is wrong."""
        zone, now = self._zone(), self._parts.now()
        try:
            table = table_of(form, key, now, zone)
        except BadUse as exc:
            return self.editor("" if is_new else key, key, f"Nothing was saved: {exc}.", status=422)
        try:
            save_profile(self._parts, table, by, is_new=is_new)
        except NotFound:
            raise
        except BadUse as exc:
            return self._again(key, table, exc, is_new=is_new)
        return _saved(key, 0 if is_new else days_anew([table.get("from")], now, zone))

    def retire(self, key: str, form: dict[str, str], by: str) -> Response:
        """Let a profile be out of use, where its id was written beside it."""
        with self._parts.store.read() as session:
            facts, now = self._parts.facts(session), self._parts.now()
        known_profile(facts, key)
        try:
            if form.get("confirm", "").strip() != key:
                raise BadUse(f"to take the profile out of use, write its id, {key}")  # noqa: TRY301 - told on the page below
            if kept := followers(facts, key, to_ms(now)):
                raise BadUse(f"{kept[0].name} follows it: give that enclosure another profile first")  # noqa: TRY301 - as above
            edit_room(self._parts.store, lambda document: without(document, "profile", key), by, now)
        except BadUse as exc:
            return self.one(key, f"Nothing was changed: {exc}.", status=422)
        self._parts.wake.notify()
        return go_to("/profiles")

    def _zone(self) -> ZoneInfo:
        with self._parts.store.read() as session:
            return self._parts.facts(session).zone

    def _again(self, key: str, table: dict[str, Any], exc: BadUse, *, is_new: bool) -> HTMLResponse:
        body = {"target": table.get("target", []), "season": table.get("season", []), "notes": table.get("notes", "")}
        status = 409 if isinstance(exc, Refused) else 422
        said = f"Nothing was saved: {exc}."
        return self.editor(
            "" if is_new else key, key, said, _Sent(key, table["species"], body, table.get("from")), status
        )

    def begin_trial(self, trials: Trials, key: str, form: dict[str, str]) -> Response:
        """Begin a trial of what was sent, and show how it goes."""
        table: dict[str, Any] = {}
        try:
            table = table_of(form, key, self._parts.now(), self._zone())
            draft = profile_draft(table)
            require_possible(draft)
            trial = trials.begin(draft, _days(form.get("days", "")))
        except BadUse as exc:
            if not table:
                return self.editor(key, key, f"{exc}.", status=422)
            return self._again(key, table, exc, is_new=False)
        return go_to(f"/profiles/{key}/trial/{trial.number}")

    def trial(self, trials: Trials, key: str, number: int) -> HTMLResponse:
        """Return how a trial goes, or what it found."""
        with self._parts.store.read() as session:
            facts, now = self._parts.facts(session), self._parts.now()
        return self._pages.html("trial.html", facts, now, view=trial_view(trials.get(key, number), facts, now))

    def save_tried(self, trials: Trials, key: str, number: int, by: str) -> Response:
        """Save the draft of a trial."""
        draft, now = trials.get(key, number).draft, self._parts.now()
        save_profile(self._parts, _Sent(key, draft.species, draft.body(), draft.from_at).table(), by, is_new=False)
        return _saved(key, days_anew([draft.from_at], now, self._zone()))

    def drawn(self, form: dict[str, str]) -> HTMLResponse:
        """Return the day that a form asks for, and what is doubtful about it, or what is wrong."""
        with self._parts.store.read() as session:
            facts, now = self._parts.facts(session), self._parts.now()
        day, doubts, said = None, [], ""
        try:
            draft = profile_draft(table_of(form, form.get("id", "").strip() or "new", now, facts.zone))
            day, doubts = draft_day(facts, draft, now), doubts_about(draft.targets)
        except BadUse as exc:
            said = str(exc)
        return self._pages.html("profile_day.html", facts, now, day=day, doubts=doubts, said=said)


def _saved(key: str, anew: int) -> Response:
    """Show the profile that was saved, and what that brings where it reaches back."""
    return go_to(f"/profiles/{key}{asked_anew(anew)}")


def _bare(targets: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [{name: value for name, value in target.items() if value is not None} for target in targets]


def _days(text: str) -> int:
    days = int(text) if text.isascii() and text.isdigit() and len(text) < 4 else 0  # noqa: PLR2004 - digits of the most
    if not 1 <= days <= MOST_DAYS:
        raise BadUse(f"days: expected 1 to {MOST_DAYS}, got {text[:10]!r}")
    return days
