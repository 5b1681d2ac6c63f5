"""The Set-up pages: from an empty site to the first enclosure with a probe, and every room and enclosure after it."""

from collections.abc import Callable
from datetime import datetime
from typing import Annotated, Final
from zoneinfo import ZoneInfo, available_timezones

from fastapi import APIRouter, Query, Response
from fastapi.responses import HTMLResponse, PlainTextResponse

from dashboard.held import held_in
from dashboard.pages.charts import enclosure_named
from dashboard.pages.forms import LongForm, go_to
from dashboard.pages.site import Pages
from dashboard.profiles import check_name_of, enclosure_day
from dashboard.racks import racks_of
from dashboard.set_differently import end_override, overrides_of, put_override
from dashboard.set_up import (
    EnclosureFields,
    fields_of,
    profiles_offered,
    put_enclosure,
    put_room,
    put_site,
    sent_fields,
)
from dashboard.since import asked_anew, days_anew, reaching_back
from service.api.sign_in import SignedIn
from service.climate.targets import CHECK_UNITS_AND_SHARES
from service.errors import BadUse
from service.roomfile.editing import Document, edit_room, without
from service.roomfile.export import export_room_file
from service.store.facts import RoomFacts
from service.watch.conditions import HEAT_CAUTION, MAINS_CAUTION

_ZONES: Final = sorted(zone for zone in available_timezones() if "/" in zone and not zone.startswith("Etc/"))

Anew = Annotated[str, Query(max_length=8)]
_SHARES: Final = ", ".join(
    f"{check_name_of(check)} {100 * share:g} %" for check, (_unit, share) in CHECK_UNITS_AND_SHARES.items() if share
)
"""Which targets are a share of time, and the usual one of each."""


def set_up_router(pages: Pages) -> APIRouter:
    """Return the routes of the pages."""
    router = APIRouter(include_in_schema=False)
    desk = _Desk(pages)

    @router.get("/set-up")
    def _page() -> HTMLResponse:
        return desk.page()

    @router.post("/set-up/site")
    def _site(person: SignedIn, form: LongForm) -> Response:
        return desk.change(lambda document: put_site(document, form), person.name, "/set-up")

    @router.post("/set-up/rooms")
    def _room(person: SignedIn, form: LongForm) -> Response:
        return desk.change(lambda document: put_room(document, form), person.name, "/set-up")

    @router.post("/set-up/rooms/{key}/remove")
    def _remove_room(key: str, person: SignedIn) -> Response:
        return desk.change(lambda document: without(document, "room", key), person.name, "/set-up")

    @router.get("/set-up/enclosure")
    def _new() -> HTMLResponse:
        return desk.form("")

    @router.post("/set-up/enclosure")
    def _add(person: SignedIn, form: LongForm) -> Response:
        return desk.put("", form, person.name)

    _add_one(router, desk)
    return router


def _add_one(router: APIRouter, desk: "_Desk") -> None:
    @router.get("/set-up/enclosures/{key}")
    def _edit(key: str, anew: Anew = "") -> HTMLResponse:
        return desk.form(key, done=reaching_back(anew))

    @router.post("/set-up/enclosures/{key}")
    def _change(key: str, person: SignedIn, form: LongForm) -> Response:
        return desk.put(key, form, person.name)

    @router.post("/set-up/enclosures/{key}/remove")
    def _remove(key: str, person: SignedIn, form: LongForm) -> Response:
        return desk.remove(key, form, person.name)

    @router.post("/set-up/enclosures/{key}/overrides")
    def _override(key: str, person: SignedIn, form: LongForm) -> Response:
        return desk.override(key, person.name, lambda document, now, zone: put_override(document, form, key, now, zone))

    @router.post("/set-up/enclosures/{key}/overrides/{check}/end")
    def _end_override(key: str, check: str, person: SignedIn, form: LongForm) -> Response:
        def change(document: Document, *_: object) -> list[datetime]:
            end_override(document, key, check, form.get("begins", ""))
            return []

        return desk.override(key, person.name, change)

    @router.get("/set-up/room.toml")
    def _file() -> Response:
        return desk.file()


class _Desk:
    """Shows the pages, and changes the room."""

    def __init__(self, pages: Pages) -> None:
        self._pages, self._parts = pages, pages.parts

    def page(self, said: str = "", status: int = 200) -> HTMLResponse:
        """Return the page that leads through the set-up, and lists what there is."""
        facts = self._facts()
        now_ms = int(self._parts.now().timestamp() * 1000)
        rooms = [
            (room.key, room.name, [one for one in facts.enclosures.values() if one.room == room.key])
            for room in facts.rooms
        ]
        placed = {place.enclosure_id for c in facts.channels.values() if (place := c.placement_at(now_ms))}
        broker = self._parts.settings.broker_listen if self._parts.settings.broker == "embedded" else ""
        racks = {key: racks_of(there) for key, _, there in rooms}
        shown = {"rooms": rooms, "racks": racks, "placed": placed, "said": said, "zones": _ZONES, "broker": broker}
        return self._pages.html("set_up.html", facts, self._parts.now(), status, heat=HEAT_CAUTION, **shown)

    def form(
        self, key: str, said: str = "", sent: EnclosureFields | None = None, status: int = 200, done: str = ""
    ) -> HTMLResponse:
        """Return the form of an enclosure, of a new one where `key` is empty; `done` says what a change brings."""
        now = self._parts.now()
        with self._parts.store.read() as session:
            facts = self._parts.facts(session)
            enclosure = enclosure_named(facts, key) if key else None
            held = held_in(session, facts, enclosure, now) if enclosure else []
        shown = {
            "fields": sent or fields_of(enclosure, facts, now), "is_new": not key, "key": key, "said": said,
            "profiles": profiles_offered(facts, now), "rooms": facts.rooms, "heat": HEAT_CAUTION,
            "mains": MAINS_CAUTION,
            "overrides": overrides_of(enclosure, facts, now) if enclosure else (), "held": held, "done": done,
            "day": enclosure_day(facts, enclosure, now) if enclosure else None,
            "checks": [(check, check_name_of(check)) for check in CHECK_UNITS_AND_SHARES], "shares": _SHARES,
        }  # fmt: skip
        return self._pages.html("set_up_enclosure.html", facts, now, status, **shown)

    def put(self, key: str, form: dict[str, str], by: str) -> Response:
        """Add or change an enclosure; show the form again with what is wrong."""
        facts, now = self._facts(), self._parts.now()
        if key:
            enclosure_named(facts, key)
        since: list[datetime] = []

        def change(document: Document) -> None:
            _, dates = put_enclosure(document, form, key, now, facts.zone)
            since.extend(dates)

        try:
            self._edit(change, by)
        except BadUse as exc:
            return self.form(key, f"Nothing was changed: {exc}.", sent_fields(form, key), 422)
        if key and (anew := days_anew(since, now, facts.zone)):
            return go_to(f"/set-up/enclosures/{key}{asked_anew(anew)}")
        return go_to(f"/enclosures/{key}" if key else "/set-up")

    def remove(self, key: str, form: dict[str, str], by: str) -> Response:
        """Let an enclosure be out of use, where its name was written beside it."""
        enclosure = enclosure_named(self._facts(), key)
        if " ".join(form.get("confirm", "").split()) != enclosure.name:
            return self.form(
                key, f"Nothing was changed: to take {enclosure.name} out of use, write its name.", status=422
            )

        def change(document: Document) -> None:
            without(document, "enclosure", key)
            _leave(document, key)

        try:
            self._edit(change, by)
        except BadUse as exc:
            return self.form(key, f"Nothing was changed: {exc}.", status=422)
        return go_to("/set-up")

    def override(self, key: str, by: str, change: Callable[[Document, datetime, ZoneInfo], list[datetime]]) -> Response:
        """Change what is set differently in an enclosure, and show its form again."""
        facts, now = self._facts(), self._parts.now()
        enclosure_named(facts, key)
        since: list[datetime] = []
        try:
            self._edit(lambda document: since.extend(change(document, now, facts.zone)), by)
        except BadUse as exc:
            return self.form(key, f"Nothing was changed: {exc}.", status=422)
        anew = days_anew(since, now, facts.zone)
        return go_to(f"/set-up/enclosures/{key}{asked_anew(anew)}#differently")

    def change(self, change: Callable[[Document], None], by: str, onward: str) -> Response:
        """Change the room and go on, or say why it was not changed."""
        try:
            self._edit(change, by)
        except BadUse as exc:
            return self.page(f"Nothing was changed: {exc}.", 422)
        return go_to(onward)

    def file(self) -> Response:
        """Return the room as a room file."""
        with self._parts.store.read() as session:
            text = export_room_file(session, self._parts.now())
        headers = {"Content-Disposition": 'attachment; filename="room.toml"', "Cache-Control": "no-store"}
        return PlainTextResponse(text, media_type="application/toml", headers=headers)

    def _edit(self, change: Callable[[Document], None], by: str) -> None:
        edit_room(self._parts.store, change, by, self._parts.now())
        self._parts.wake.notify()

    def _facts(self) -> RoomFacts:
        with self._parts.store.read() as session:
            return self._parts.facts(session)


def _leave(document: Document, key: str) -> None:
    """Take out what speaks of an enclosure: its probes stand nowhere from now on, its animals are housed nowhere."""
    document["equipment"] = [one for one in document.get("equipment", []) if one["enclosure"] != key]
    document["care"] = [one for one in document.get("care", []) if one.get("enclosure") != key]
    for probe in document.get("probe", []):
        channels = probe.get("channel", [])
        for channel in [one for one in channels if one.get("enclosure") == key]:
            for name in ("enclosure", "zone", "from", "until"):
                channel.pop(name, None)
            if sum(other["quantity"] == channel["quantity"] for other in channels) > 1:
                channels.remove(channel)
    for animal in document.get("animal", []):
        animal["housing"] = [one for one in animal.get("housing", []) if one["enclosure"] != key]
