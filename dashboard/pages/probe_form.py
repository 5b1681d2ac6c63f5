"""The form of a probe: to enter one by hand, to change how one is heard or where it stood, to take one out of use."""

from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Response
from fastapi.responses import HTMLResponse

from dashboard.pages.forms import Form, LongForm, go_to
from dashboard.pages.site import Pages
from dashboard.probe_claims import UNITS, models
from dashboard.probe_form import ProbeFields, probe_fields, put_probe, sent_probe
from dashboard.since import asked_anew, days_anew
from dashboard.words import quantity_name, zone_name
from sensors.payloads.decoder import FORMATS
from sensors.quantities import QUANTITIES
from service.api.probes import probe_named
from service.api.sign_in import SignedIn
from service.errors import BadUse
from service.model import ZONES
from service.roomfile.editing import Document, edit_room, entry, room_document, without

Key = Annotated[str, Path(max_length=64)]
_FORMATS: Final = {"json": "json: numbers at places in a message", "scalar": "scalar: the message is the number",
                   "senml": "senml: records with names (RFC 8428)"}  # fmt: skip


def probe_form_router(pages: Pages) -> APIRouter:
    """Return the routes of the page."""
    router = APIRouter(include_in_schema=False)
    desk = _Desk(pages)

    @router.get("/new-probe")
    def _new() -> HTMLResponse:
        return desk.page("")

    @router.post("/new-probe")
    def _add(person: SignedIn, form: LongForm) -> Response:
        return desk.put("", form, person.name)

    @router.get("/probes/{key}/edit")
    def _edit(key: Key) -> HTMLResponse:
        return desk.page(key)

    @router.post("/probes/{key}/edit")
    def _change(key: Key, person: SignedIn, form: LongForm) -> Response:
        return desk.put(key, form, person.name)

    @router.post("/probes/{key}/retire")
    def _retire(key: Key, person: SignedIn, form: Form) -> Response:
        return desk.retire(key, form, person.name)

    return router


class _Desk:
    """Shows the form, and changes the room."""

    def __init__(self, pages: Pages) -> None:
        self._pages, self._parts = pages, pages.parts

    def page(self, key: str, said: str = "", sent: ProbeFields | None = None, status: int = 200) -> HTMLResponse:
        """Return the form of a probe, of a new one where `key` is empty."""
        now = self._parts.now()
        with self._parts.store.read() as session:
            facts = self._parts.facts(session)
            if key:
                probe_named(facts, key)
            table = entry(room_document(session, now), "probe", key) if key else None
        shown: dict[str, Any] = {
            "fields": sent or probe_fields(table, facts.zone), "key": key, "is_new": not key, "said": said,
            "models": models(), "units": UNITS, "zones": [(zone, zone_name(zone)) for zone in ZONES],
            "formats": [(name, _FORMATS.get(name, name)) for name in FORMATS],
            "quantities": [(one, quantity_name(one)) for one in QUANTITIES],
            "enclosures": [(one.key, one.name) for one in facts.enclosures.values()],
        }  # fmt: skip
        return self._pages.html("probe_edit.html", facts, now, status, **shown)

    def put(self, key: str, form: dict[str, str], by: str) -> Response:
        """Enter or change a probe; show the form again with what is wrong."""
        now = self._parts.now()
        with self._parts.store.read() as session:
            facts = self._parts.facts(session)
        if key:
            probe_named(facts, key)
        since: list[Any] = []
        try:
            edit_room(self._parts.store, lambda doc: since.extend(put_probe(doc, form, key, now, facts.zone)), by, now)
        except BadUse as exc:
            return self.page(key, f"Nothing was changed: {exc}.", sent_probe(form), 422)
        self._parts.wake.notify()
        anew = days_anew(since, now, facts.zone)
        return go_to(f"/probes/{key or form.get('id', '').strip()}{asked_anew(anew)}")

    def retire(self, key: str, form: dict[str, str], by: str) -> Response:
        """Let a probe be out of use, where its id was written beside it."""
        with self._parts.store.read() as session:
            probe_named(self._parts.facts(session), key)

        def change(document: Document) -> None:
            if form.get("confirm", "").strip() != key:
                raise BadUse(f"to take the probe out of use, write its id, {key}")
            without(document, "probe", key)
            checks = document.get("calibration", [])
            document["calibration"] = [check for check in checks if check["probe"] != key]

        try:
            edit_room(self._parts.store, change, by, self._parts.now())
        except BadUse as exc:
            return self.page(key, f"Nothing was changed: {exc}.", status=422)
        self._parts.wake.notify()
        return go_to("/probes")
