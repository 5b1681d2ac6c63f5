"""The Compare page: two enclosures, or one and its own past, on one chart with what differs most."""

from datetime import datetime
from typing import Annotated, Final

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse

from dashboard.animals import choices
from dashboard.asked import degrees
from dashboard.local_forms import field_value
from dashboard.pages.site import Pages
from service.errors import BadUse, NotFound
from service.lookback.forms.pair_chart import pair_picture
from service.lookback.lives.side_by_side import shifted_back, side_by_side
from service.lookback.lives.stays import Stay, local_span
from service.lookback.spans import LookbackSpan, enclosure_of, span_of
from service.lookback.words import span_words
from service.model import to_ms
from service.store.facts import RoomFacts

Key = Annotated[str, Query(max_length=64)]
Edge = Annotated[str, Query(max_length=40)]
BEFORE: Final = {"-before": "the same time before", "-year": "a year before"}
_YEAR_DAYS: Final = 364
"""A year of whole weeks: the same weekdays."""
_SHOWN: Final = 24


def compare_router(pages: Pages) -> APIRouter:
    """Return the route of the page."""
    router = APIRouter(include_in_schema=False)
    parts = pages.parts

    @router.get("/compare")
    def _page(
        a: Key = "", b: Key = "", first: Annotated[str, Query(alias="from", max_length=40)] = "", to: Edge = ""
    ) -> HTMLResponse:
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
        asked = {"a": a, "b": b, "first": first[:10], "last": to[:10]}
        shown: dict = {"said": "", "compared": None}
        status = 200
        if a and b:
            try:
                span = span_of(first or None, to or None, facts.zone, now)
                shown["compared"] = _compared(pages, facts, (a, b), span, now)
                asked |= {"first": span.first.isoformat(), "last": span.last.isoformat()}
            except BadUse as exc:
                shown["said"] = f"{str(exc)[:1].upper()}{str(exc)[1:]}."
                status = 404 if isinstance(exc, NotFound) else 422
        today = field_value(now, facts)[:10]
        return pages.html(
            "compare.html",
            facts,
            now,
            status,
            asked=asked,
            enclosures=choices(facts),
            past=BEFORE,
            today=today,
            **shown,
        )

    return router


def _compared(pages: Pages, facts: RoomFacts, keys: tuple[str, str], span: LookbackSpan, now: datetime) -> dict:
    first = Stay(enclosure_of(facts, keys[0]), span.start_ms, span.end_ms)
    if keys[1] in BEFORE:
        length = (span.last - span.first).days + 1
        second = shifted_back(first, _YEAR_DAYS if keys[1] == "-year" else length)
    else:
        second = Stay(enclosure_of(facts, keys[1]), span.start_ms, span.end_ms)
    if keys[0] == keys[1]:
        raise BadUse("choose two enclosures, or one and its own past")
    found = side_by_side(pages.parts.store, facts, first, second, to_ms(now))
    spans = [local_span(stay.start_ms, stay.end_ms, facts.zone) for stay in (first, second)]
    names = _names(first, second, spans)
    picture = pair_picture(found.pairs, (spans[0].first, spans[1].first), names, degrees()) if found.pairs else None
    rows = [
        (one.what, *one.said, one.largest_said, one.apart, f"{one.first.count} / {one.second.count}")
        for one in found.differences
    ]
    return {
        "names": names, "picture": picture, "rows": rows[:_SHOWN],
        "only_first": found.only_first, "only_second": found.only_second,
    }  # fmt: skip


def _names(first: Stay, second: Stay, spans: list[LookbackSpan]) -> tuple[str, str]:
    if first.enclosure.id == second.enclosure.id:
        said = [span_words(span.first, span.last) for span in spans]
        return f"{first.enclosure.name}, {said[0]}", f"{second.enclosure.name}, {said[1]}"
    return first.enclosure.name, second.enclosure.name
