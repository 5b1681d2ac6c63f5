"""In the aisle: labels for the doors, the short address that they hold, and notes in two taps."""

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Final

from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.responses import HTMLResponse

from dashboard.labels import PER_SHEET, Label, sheets
from dashboard.pages.charts import enclosure_named
from dashboard.pages.forms import Form, go_to, local_path
from dashboard.pages.site import Pages
from dashboard.tiles import place_of
from service.api.noting import ShortNote, note_once
from service.api.requests import instant_of
from service.api.sign_in import SignedIn
from service.errors import BadUse
from service.model import to_ms
from service.store.facts import EnclosureFact, RoomFacts

_LONGEST_LIST: Final = 20_000
Wanted = Annotated[str, Query(max_length=_LONGEST_LIST, description="keys parted by commas; empty: all")]


def aisle_router(pages: Pages) -> APIRouter:
    """Return the routes."""
    router = APIRouter(include_in_schema=False)
    parts = pages.parts

    def base(request: Request) -> str:
        """Return the address under which phones reach the pages: as it is set, else as this page was asked for."""
        return parts.settings.public_url.rstrip("/") or f"{request.url.scheme}://{request.headers.get('host', '')}"

    @router.get("/labels")
    def _labels(request: Request, enclosures: Wanted = "") -> HTMLResponse:
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
        chosen = _chosen(facts, enclosures)
        drawn = sheets([_label(base(request), facts, one, now) for one in chosen])
        shown = {"sheets": drawn, "chosen": {one.key for one in chosen}, "asked": enclosures, "per_sheet": PER_SHEET}
        every = [(one.key, one.name) for one in _ordered(facts)]
        return pages.html("labels.html", facts, now, every=every, address=base(request), **shown)

    @router.get("/labels/{number}.svg")
    def _sheet(request: Request, number: Annotated[int, Path(ge=1, le=1_000)], enclosures: Wanted = "") -> Response:
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
        drawn = sheets([_label(base(request), facts, one, now) for one in _chosen(facts, enclosures)])
        if number > len(drawn):
            raise BadUse(f"there are {len(drawn)} sheets of labels")
        headers = {"Content-Disposition": f'attachment; filename="labels-{number}.svg"', "Cache-Control": "no-store"}
        return Response(str(drawn[number - 1]), media_type="image/svg+xml", headers=headers)

    @router.get("/d/{key}")
    def _door(key: str) -> Response:
        return go_to(f"/enclosures/{key}")

    @router.post("/enclosures/{key}/notes")
    def _note(key: str, person: SignedIn, form: Form) -> Response:
        now = parts.now()
        with parts.store.write() as session:
            enclosure = enclosure_named(parts.facts(session), key)
            note = ShortNote(
                form.get("kind", ""), enclosure.id, _written_at(form, now), form.get("animal") or None,
                form.get("note", "")[:2_000],
            )  # fmt: skip
            note_once(session, note, person.name, now)
        parts.wake.notify()
        return go_to(local_path(form.get("back"), f"/enclosures/{key}"))

    return router


def _written_at(form: dict[str, str], now: datetime) -> datetime:
    """Return when a note was written, by the phone; now where it does not say."""
    text = form.get("at", "")
    if not text:
        return now
    try:
        return instant_of(text)
    except ValueError as exc:
        raise BadUse(f"at: {exc}") from exc


def _ordered(facts: RoomFacts) -> Sequence[EnclosureFact]:
    return sorted(
        facts.enclosures.values(), key=lambda one: (one.rack or "~", -(one.level or 0), one.slot or 0, one.name)
    )


def _chosen(facts: RoomFacts, wanted: str) -> list[EnclosureFact]:
    keys = set(wanted.split(",")) if wanted else None
    return [one for one in _ordered(facts) if keys is None or one.key in keys]


def _label(address: str, facts: RoomFacts, enclosure: EnclosureFact, now: datetime) -> Label:
    at_ms = to_ms(now)
    followed = enclosure.profile_at(at_ms)
    version = facts.profile_version_at(followed, at_ms) if followed else None
    species = version.species if version else ""
    return Label(enclosure.name, place_of(enclosure), species, f"{address}/d/{enclosure.key}")
