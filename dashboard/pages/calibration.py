"""The pages of reference checks: which are due, making one step by step, and the record that is printed."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Any, Final
from urllib.parse import urlencode

from fastapi import APIRouter, Path, Request, Response
from fastapi.responses import HTMLResponse
from pydantic import ValidationError
from sqlmodel import Session

from dashboard.calibration import (
    CHECKED,
    StandView,
    channel_href,
    channel_rows,
    check_row,
    figure,
    shown_unit,
    stand_view,
    where_now,
)
from dashboard.calibration_record import record_of
from dashboard.calibration_steps import STEPS, Steps, steps_for
from dashboard.earlier_check import MOST_POINTS, put_check
from dashboard.pages.forms import Form, LongForm, go_to
from dashboard.pages.site import Pages
from dashboard.words import exact, iso, quantity_name
from service.api.calibration_answers import calibration_answer, history_of
from service.api.calibrations import CalibrationIn, PointIn, channel_named, enter, withdraw
from service.api.requests import instant_of
from service.api.sign_in import SignedIn, current_visitor
from service.climate.reference_points import SALTS, Method, salt_humidity
from service.errors import BadUse, NotFound, Refused
from service.model import to_ms
from service.people.roles import RESERVED
from service.roomfile.editing import edit_room
from service.store.calibrations import LONGEST_CHECK, calibrations_of, get_calibration, made_at, successor_of
from service.store.facts import ChannelFact, RoomFacts
from service.store.reference_readings import look_at
from service.store.traceability import errors_within

_LARGEST_ID: Final = 2**53 - 1
Number = Annotated[int, Path(ge=1, le=_LARGEST_ID)]
_POINT_FIELDS: Final = (
    "method", "against", "since", "minutes", "reference", "reference_uncertainty", "temperature", "reads",
)  # fmt: skip
_NUMBERS: Final = ("reference", "reference_uncertainty", "temperature", "reads")
_EARLIER: Final = "earlier-"
_MINUTES: Final = (5, 10, 20, 30, 60, 120)


def calibration_router(pages: Pages) -> APIRouter:
    """Return the routes of reference checks."""
    router = APIRouter(include_in_schema=False)
    parts, desk = pages.parts, _Desk(pages)

    @router.get("/calibration")
    def _list() -> HTMLResponse:
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
        return pages.html("calibrations.html", facts, now, rows=channel_rows(facts, now))

    @router.get("/calibration/{probe}/{quantity}")
    def _channel(probe: str, quantity: str, request: Request) -> Response:
        fields = dict(request.query_params)
        since = _since(pages, fields)
        if since is not None:
            # Whoever looks again, or comes back to the page, must find the same moment.
            kept = {name: fields[name] for name in _POINT_FIELDS if fields.get(name)} | {"since": iso(since)}
            return go_to(f"{request.url.path}?{urlencode(kept)}")
        return desk.page(f"{probe}/{quantity}", fields)

    @router.get("/fragments/calibration/{probe}/{quantity}")
    def _stand(probe: str, quantity: str, request: Request) -> HTMLResponse:
        return desk.page(f"{probe}/{quantity}", dict(request.query_params), "calibration_stand.html")

    @router.post("/calibration/{probe}/{quantity}")
    def _enter(probe: str, quantity: str, person: SignedIn, form: Form) -> Response:
        key = f"{probe}/{quantity}"
        try:
            with parts.store.write() as session:
                row = enter(parts, session, _check_in(key, form, parts.facts(session)), person.name)
        except NotFound:
            raise
        except BadUse as exc:
            status = 409 if isinstance(exc, Refused) else 422
            return desk.page(key, form, said=f"Nothing was entered: {exc}.", status=status)
        parts.wake.notify()
        return go_to(f"/reference-checks/{row.id}")

    _add_earlier(router, desk)
    return router


def _add_earlier(router: APIRouter, desk: "_Desk") -> None:
    @router.post("/calibration/{probe}/{quantity}/earlier")
    def _earlier(probe: str, quantity: str, person: SignedIn, form: LongForm) -> Response:
        return desk.earlier(f"{probe}/{quantity}", form, person.name)


def record_router(pages: Pages) -> APIRouter:
    """Return the routes of the record of one check."""
    router = APIRouter(include_in_schema=False)
    parts = pages.parts

    @router.get("/reference-checks/{number}")
    def _record(number: Number) -> HTMLResponse:
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
            row = get_calibration(session, number)
            after = successor_of(session, number)
            history = history_of(facts, row.channel_id, [*calibrations_of(session, row.channel_id)])
            answer = calibration_answer(history, row)
        channel = history.channel
        can_add = after is None and now - made_at(row) <= LONGEST_CHECK and history.rows[0].id == number
        shown = {
            "record": record_of(facts, channel, answer), "number": number, "href": channel_href(channel),
            "made": answer.made_at, "after": after, "can_add": can_add,
        }  # fmt: skip
        return pages.html("calibration_record.html", facts, now, **shown)

    @router.post("/reference-checks/{number}/withdraw")
    def _withdraw(number: Number, person: SignedIn, form: Form) -> Response:
        if form.get("confirm", "").strip() != str(number):
            raise Refused(f"to take the check back, write its number, {number}, beside it")
        with parts.store.write() as session:
            channel = withdraw(parts, session, number, person.name)
        parts.wake.notify()
        return go_to(channel_href(channel))

    return router


@dataclass(frozen=True, slots=True)
class _Chosen:
    """What of a point is chosen so far."""

    steps: Steps | None
    fields: dict[str, str]
    since: datetime | None
    stand: StandView | None
    said: str


class _Desk:
    """The page on which a check of one channel is made."""

    def __init__(self, pages: Pages) -> None:
        self._pages = pages

    def page(
        self, key: str, fields: Mapping[str, str], template: str = "calibration.html", said: str = "", status: int = 200
    ) -> HTMLResponse:
        """Return the page, or the part of it that changes; `said` says why a check was not entered."""
        parts = self._pages.parts
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
            channel = channel_named(facts, key)
            if channel.quantity not in CHECKED:
                raise NotFound(f"{key}: reference checks are made of temperatures and of relative humidity")
            chosen = _chosen(session, facts, channel, fields, now)
            history = history_of(facts, channel.id, calibrations_of(session, channel.id))
            checks = [
                check_row(calibration_answer(history, row), channel.quantity, facts.zone, now) for row in history.rows
            ]
        newest = history.rows[0] if history.rows else None
        extends = newest.id if newest and now - made_at(newest) <= LONGEST_CHECK else None
        shown = {
            "channel": channel, "title": f"{channel.probe}, {quantity_name(channel.quantity).lower()}",
            "href": channel_href(channel), "where": where_now(facts, channel, now),
            "known": figure(errors_within(channel, to_ms(now), to_ms(now) + 1).uncertainty, channel.quantity),
            "methods": steps_for(channel.quantity), "chosen": chosen, "checks": checks, "extends": extends,
            "salts": _salts(chosen), "minutes": _MINUTES, "unit": shown_unit(channel.quantity), "said": said,
            "since": exact(chosen.since, facts.zone) if chosen.since else "", "query": _query(chosen),
            "place_href": _place_href(facts, channel, now), "salt_caution": _salt_caution(chosen),
            "checker": chosen.fields["by"] or _own_name(), "most_points": MOST_POINTS,
            "earlier": {n.removeprefix(_EARLIER): text for n, text in fields.items() if n.startswith(_EARLIER)},
        }  # fmt: skip
        return self._pages.html(template, facts, now, status, **shown)

    def earlier(self, key: str, form: Mapping[str, str], by: str) -> Response:
        """Enter a check that was made before, or say why not."""
        parts = self._pages.parts
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
        channel = channel_named(facts, key)
        try:
            edit_room(parts.store, lambda document: put_check(document, form, channel, now, facts.zone), by, now)
        except BadUse as exc:
            kept = {f"{_EARLIER}{name}": text for name, text in form.items()}
            return self.page(key, kept, said=f"Nothing was entered: {exc}.", status=422)
        parts.wake.notify()
        return go_to(f"{channel_href(channel)}#checks-title")


def _chosen(
    session: Session, facts: RoomFacts, channel: ChannelFact, fields: Mapping[str, str], now: datetime
) -> _Chosen:
    kept = {name: fields.get(name, "") for name in (*_POINT_FIELDS, "by", "note", "from", "extends")}
    steps = STEPS.get(kept["method"])
    if steps is None or steps not in steps_for(channel.quantity):
        return _Chosen(None, kept, None, None, "")
    try:
        point = _point(kept)
    except BadUse as exc:
        return _Chosen(steps, kept, _instant(kept["since"]), None, f"{exc}.")
    if point.since is None or steps.method == Method.CERTIFICATE:
        return _Chosen(steps, kept, None, None, "")
    stand = stand_view(look_at(session, facts, channel, point.asked(now)), channel, now, point.since)
    return _Chosen(steps, kept, point.since, stand, "")


def _instant(text: str) -> datetime | None:
    try:
        return instant_of(text)
    except ValueError:
        return None


def _salt_caution(chosen: _Chosen) -> str:
    """Return what to beware of with the salt that was chosen."""
    salt = SALTS.get(chosen.fields["against"])
    return salt.caution if salt and chosen.steps and chosen.steps.method == Method.SALT else ""


def _own_name() -> str:
    """Return the name of who looks, where it is a person's: whoever merely sits there must say who it was."""
    visitor = current_visitor()
    return visitor.name if visitor is not None and visitor.name not in RESERVED else ""


def _query(chosen: _Chosen) -> str:
    """Return the point so far as a query."""
    return urlencode({name: chosen.fields[name] for name in _POINT_FIELDS if chosen.fields[name]})


def _place_href(facts: RoomFacts, channel: ChannelFact, now: datetime) -> str:
    placed = channel.placement_at(to_ms(now))
    enclosure = facts.enclosures.get(placed.enclosure_id) if placed else None
    return f"/enclosures/{enclosure.key}" if enclosure else ""


def _since(pages: Pages, fields: Mapping[str, str]) -> datetime | None:
    """Return since when a probe stands in its reference, where the form says "now" or a local time."""
    if fields.get("since") == "now":
        return pages.parts.now()
    if not fields.get("since-local"):
        return None
    with pages.parts.store.read() as session:
        return _local(fields["since-local"], pages.parts.facts(session))


def _salts(chosen: _Chosen) -> list[tuple[str, str]]:
    """Return each salt with what it is, and its humidity at 25 °C."""
    if chosen.steps is not None and chosen.steps.method != Method.SALT:
        return []
    return [(key, f"{salt.title}, {salt_humidity(key, 25.0).value:.1f} %RH at 25 °C") for key, salt in SALTS.items()]


def _point(fields: Mapping[str, str]) -> PointIn:
    """Read a point out of a form: what is empty is not said."""
    said: dict[str, Any] = {name: fields[name].strip() for name in _POINT_FIELDS if fields.get(name, "").strip()}
    # In many countries the sign before the decimals is a comma.
    said |= {name: said[name].replace(",", ".") for name in _NUMBERS if name in said}
    try:
        return PointIn.model_validate(said)
    except ValidationError as exc:
        first = exc.errors()[0]
        raise BadUse(f"{first['loc'][0]}: {first['msg']}") from exc


def _check_in(key: str, form: Mapping[str, str], facts: RoomFacts) -> CalibrationIn:
    point = _point(form)
    said: dict[str, Any] = {"channel": key, "points": [point.model_dump(exclude_unset=True)]}
    said |= {name: form[name].strip() for name in ("by", "note", "extends") if form.get(name, "").strip()}
    if form.get("from", "").strip():
        said["from"] = _local(form["from"], facts)
    try:
        return CalibrationIn.model_validate(said)
    except ValidationError as exc:
        first = exc.errors()[0]
        raise BadUse(f"{first['loc'][0]}: {first['msg']}") from exc


def _local(text: str, facts: RoomFacts) -> datetime:
    """Read a time of the site's clock, as a form's field gives it."""
    try:
        local = datetime.fromisoformat(text.strip())
    except ValueError as exc:
        raise BadUse(f"since: expected a date and time, got {text[:40]!r}") from exc
    return (local if local.tzinfo else local.replace(tzinfo=facts.zone)).astimezone(UTC)
