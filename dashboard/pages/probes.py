"""The Probes page, the claim of a probe, and a probe's own page with its move."""

from typing import Annotated, Final

from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.responses import HTMLResponse

from dashboard.pages.forms import Form, LongForm, go_to
from dashboard.pages.site import Pages
from dashboard.probe_claims import UNITS, UNPLACED, claim_of, models, place_rows, preview_rows, proposed_fields
from dashboard.probes import placed_in, probe_row, probes_view, speaker_view
from dashboard.since import asked_anew, days_anew, reaching_back, since_in
from dashboard.words import quantity_name, zone_name
from dashboard.zone_drawing import drawing
from sensors.payloads.proposing import Proposal
from sensors.quantities import QUANTITIES
from service.api.live import live_position
from service.api.probe_standing import HEALTH, probes_standing
from service.api.probes import claim, move, probe_named
from service.api.sign_in import SignedIn
from service.api.unclaimed import proposals_for
from service.errors import BadUse, NotFound, Refused
from service.model import ZONES, to_ms
from service.people.roles import Visitor
from service.store.placements import Entry
from service.store.unclaimed import get_source
from service.watch.conditions import CONDITIONS

_LARGEST_ID: Final = 2**53 - 1
_EMPTY: Final = dict.fromkeys(("id", "model", "every", "enclosure", "zone"), "")
SourceId = Annotated[int, Path(ge=1, le=_LARGEST_ID)]
Key = Annotated[str, Path(max_length=64)]
Called = Annotated[str | None, Query(max_length=200)]
Wanted = Annotated[str, Query(max_length=64)]


def probes_router(pages: Pages) -> APIRouter:
    """Return the routes of the pages."""
    router = APIRouter(include_in_schema=False)
    desk, parts = _Desk(pages), pages.parts
    # Alarms that are about a probe itself lead here.
    pages.templates.globals["about_probes"] = frozenset(CONDITIONS[condition].title for condition in HEALTH)

    @router.get("/probes")
    def _page() -> HTMLResponse:
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
            view, after = probes_view(session, facts, parts), live_position(session)
        return pages.html("probes.html", facts, now, view=view, live_after=after)

    @router.get("/fragments/probes")
    def _pieces() -> HTMLResponse:
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
            view = probes_view(session, facts, parts)
        return pages.html("probes_fragment.html", facts, now, view=view)

    @router.get("/unclaimed/{source_id}")
    def _source(source_id: SourceId, called: Called = None) -> HTMLResponse:
        return desk.claim_page(source_id, called)

    @router.post("/unclaimed/{source_id}")
    def _claim(source_id: SourceId, person: SignedIn, form: LongForm) -> Response:
        return desk.take(source_id, person, form)

    @router.get("/probes/{key}")
    def _one(key: Key, request: Request, enclosure: Wanted = "", to: Wanted = "") -> HTMLResponse:
        taken, anew = (request.query_params.get(name, "") for name in ("taken", "anew"))
        taken = taken if taken.isascii() and taken.isdigit() else ""
        return desk.probe_page(key, enclosure, to, taken=taken, done=reaching_back(anew))

    @router.post("/probes/{key}/place")
    def _place(key: Key, person: SignedIn, form: Form) -> Response:
        return desk.place(key, person, form)

    return router


class _Desk:
    """Draws the pages that a form may come back to."""

    def __init__(self, pages: Pages) -> None:
        self._pages = pages

    def take(self, source_id: int, person: Visitor, form: dict[str, str]) -> Response:
        """Claim what a form says, or show the form again: to look at it, or with the reason."""
        parts = self._pages.parts
        if form.get("do") != "claim":
            return self.claim_page(source_id, form.get("called"), form)
        try:
            with parts.store.write() as session:
                get_source(session, source_id)
                wanted = claim_of(form)
                taken = claim(parts, session, wanted, person.name)
        except NotFound:
            raise
        except BadUse as exc:
            status = 409 if isinstance(exc, Refused) else 422
            return self.claim_page(source_id, form.get("called"), form, f"Nothing was claimed: {exc}.", status)
        parts.wake.notify()
        return go_to(f"/probes/{wanted.key}?taken={taken.readings}")

    def place(self, key: str, person: Visitor, form: dict[str, str]) -> Response:
        """Move a probe's climate channels to a zone, from now on or since a time that is past."""
        parts, enclosure, zone = self._pages.parts, form.get("enclosure", ""), form.get("zone", "")
        anew = 0
        try:
            if zone not in ZONES:
                raise BadUse("zone: choose one of the drawing")  # noqa: TRY301 - told on the page below
            with parts.store.write() as session:
                facts = parts.facts(session)
                probe = probe_named(facts, key)
                quantities = [facts.channels[channel].quantity for channel in probe.channels]
                climate = [quantity for quantity in quantities if quantity not in UNPLACED]
                now = parts.now()
                since = since_in(form, "since", "since", now, facts.zone)
                move(session, facts, probe, (enclosure, zone), climate, since, Entry(person.name, now))
                anew = days_anew([since], now, facts.zone)
        except NotFound:
            raise
        except BadUse as exc:
            status = 409 if isinstance(exc, Refused) else 422
            return self.probe_page(key, enclosure, zone, said=f"Nothing was moved: {exc}.", status=status)
        parts.wake.notify()
        return go_to(f"/probes/{key}{asked_anew(anew)}")

    def claim_page(
        self, source_id: int, called: str | None, form: dict[str, str] | None = None, said: str = "", status: int = 200
    ) -> HTMLResponse:
        """Return the claim's form: as proposed, or as it was sent."""
        parts = self._pages.parts
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
            source = get_source(session, source_id)
            proposals, messages = proposals_for(session, facts, source)
            chosen = next((one for one in proposals if called in {None, one.called}), Proposal("json", ()))
            bare = [one.key for one in facts.enclosures.values() if not one.placements]
            likely = {"enclosure": bare[0]} if len(bare) == 1 else {}
            fields = _EMPTY | (form or (proposed_fields(source, chosen, messages) | likely))
            speaker = speaker_view(session, facts, source, now)
        preview, wrong = [], said
        try:
            preview = preview_rows(facts, claim_of(fields), messages)
        except BadUse as exc:
            wrong = said or (f"This cannot be read yet: {exc}." if proposals or form else "")
        shown = {
            "source": speaker, "fields": fields, "rows": place_rows(fields), "preview": preview, "said": wrong,
            "others": [one.called for one in proposals if one.called and len(proposals) > 1],
            "models": models(), "units": UNITS, "zones": [(zone, zone_name(zone)) for zone in ZONES],
            "quantities": [(key, quantity_name(key)) for key in QUANTITIES],
            "enclosures": [(one.key, one.name) for one in facts.enclosures.values()],
        }  # fmt: skip
        return self._pages.html("probes_claim.html", facts, now, status, **shown)

    def probe_page(
        self,
        key: str,
        enclosure: str,
        zone: str,
        *,
        said: str = "",
        status: int = 200,
        taken: str = "",
        done: str = "",
    ) -> HTMLResponse:
        """Return a probe's page, with the zone that was tapped waiting to be confirmed."""
        parts = self._pages.parts
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
            probe = probe_named(facts, key)
            (standing,) = probes_standing(session, facts, parts.rhythms, now, [probe])
        row = probe_row(facts, standing, now)
        first = next(iter(facts.by_key), "")
        here = enclosure if enclosure in facts.by_key else (row.places[0][0] if row.places else first)
        target = zone if zone in ZONES else ""
        channels = [(c.fact.key, c.fact.quantity, quantity_name(c.fact.quantity)) for c in standing.channels]
        shown = {
            "row": row, "probe": probe, "channels": channels, "here": here, "target": target,
            "target_name": zone_name(target), "said": said, "taken": taken, "done": done,
            "here_name": facts.by_key[here].name if here else "",
            "drawing": drawing(placed_in(facts, here, to_ms(now)), f"{row.address}?enclosure={here}&to=", target),
            "enclosures": [(one.key, one.name) for one in facts.enclosures.values()],
        }  # fmt: skip
        return self._pages.html("probes_one.html", facts, now, status, **shown)
