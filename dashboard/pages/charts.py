"""What the Enclosure page fetches: figures, their table twin, and CSV."""

import csv
import io
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from typing import Annotated, Final, Literal

from fastapi import APIRouter, Query, Response
from fastapi.responses import StreamingResponse
from plotly.io import to_json

from dashboard.asked import degrees
from dashboard.fahrenheit import text_in_fahrenheit
from dashboard.figures.palette import PALETTES
from dashboard.figures.ticks import MOST_TICKS
from dashboard.figures.timeline import timeline_figure, timeline_in_fahrenheit
from dashboard.pages.site import Pages
from dashboard.past import timeline_of
from dashboard.tables import table_of
from service.climate.ranges import DAY_MS, HOUR_MS, MINUTE_MS
from service.errors import BadUse, NotFound
from service.model import from_ms, to_ms
from service.store.facts import EnclosureFact, RoomFacts
from service.store.history import placements_in
from service.store.readings import stream_readings

_LONGEST_MS: Final = 1_100 * DAY_MS
_SHORTEST_MS: Final = MINUTE_MS
_FEWEST_TICKS, _TICK_PX = 4, 85
_LATEST_MS: Final = 250_000_000_000_000
"""Calendars end in the year 9999. [ms, UTC]"""
_FRESH: Final = {"Cache-Control": "no-store"}

From = Annotated[int | None, Query(alias="from", ge=0, le=_LATEST_MS, description="ms since 1970, UTC")]
To = Annotated[int | None, Query(ge=0, le=_LATEST_MS, description="ms since 1970, UTC")]
Width = Annotated[int, Query(ge=100, le=10_000, description="px")]


def span_of(first: int | None, last: int | None, now_ms: int) -> tuple[int, int]:
    """Return the span that is asked for, by default the last 24 hours and an hour ahead [ms, UTC].

    Raises
    ------
    BadUse
        When it is empty, or longer than three years.
    """
    end = now_ms + HOUR_MS if last is None else last
    start = end - DAY_MS if first is None else first
    if not _SHORTEST_MS <= end - start <= _LONGEST_MS:
        raise BadUse(f"the span from {start} to {end} is {end - start} ms long; ask for a minute to three years")
    return start, end


def enclosure_named(facts: RoomFacts, key: str) -> EnclosureFact:
    """Return an enclosure by its key, or raise NotFound."""
    if key not in facts.by_key:
        raise NotFound(f"no enclosure is called {key!r}; the Room page lists them")
    return facts.by_key[key]


def chart_router(pages: Pages) -> APIRouter:
    """Return the routes of figures, tables and CSV."""
    router = APIRouter(include_in_schema=False)
    parts = pages.parts

    @router.get("/enclosures/{key}/figure")
    def _figure(
        key: str, first: From = None, to: To = None, theme: Literal["light", "dark"] = "light", width: Width = 1200
    ) -> Response:
        with parts.store.read() as session:
            facts, now_ms = parts.facts(session), to_ms(parts.now())
            start, end = span_of(first, to, now_ms)
            timeline = timeline_of(session, facts, enclosure_named(facts, key), start, end, now_ms)
        timeline = replace(timeline, most_ticks=max(_FEWEST_TICKS, min(MOST_TICKS, width // _TICK_PX)))
        timeline = timeline_in_fahrenheit(timeline) if degrees() == "F" else timeline
        figure = to_json(timeline_figure(timeline, PALETTES[theme]), validate=False) or ""
        figure = text_in_fahrenheit(figure) if degrees() == "F" else figure
        return Response(figure, media_type="application/json", headers=_FRESH)

    @router.get("/enclosures/{key}/table")
    def _table(key: str, first: From = None, to: To = None) -> Response:
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
            start, end = span_of(first, to, to_ms(now))
            timeline = timeline_of(session, facts, enclosure_named(facts, key), start, end, to_ms(now))
        table = table_of(timeline.lines, start, min(end, to_ms(now)), facts.zone)
        return pages.html("table.html", facts, now, table=table, key=key, name=facts.by_key[key].name)

    @router.get("/enclosures/{key}/readings.csv")
    def _csv(key: str, first: From = None, to: To = None) -> Response:
        with parts.store.read() as session:
            facts = parts.facts(session)
        enclosure, (start, end) = enclosure_named(facts, key), span_of(first, to, to_ms(parts.now()))
        name = f"{enclosure.key}-{from_ms(start):%Y%m%dT%H%M}-{from_ms(end):%Y%m%dT%H%M}.csv"
        headers = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
        return StreamingResponse(_rows(pages, facts, enclosure, start, end), media_type="text/csv", headers=headers)

    return router


def _rows(pages: Pages, facts: RoomFacts, enclosure: EnclosureFact, start: int, end: int) -> Iterator[str]:
    """Yield the stored readings of an enclosure as tidy CSV, each channel while it was placed there."""
    yield "time,probe,quantity,value\r\n"
    with pages.parts.store.read() as session:
        for placed in placements_in(facts, enclosure, start, end):
            channel = facts.channels[placed.channel_id]
            span = max(start, placed.start_ms), min(end, placed.end_ms)
            for rows in stream_readings(session, channel.id, *span):
                text = io.StringIO()
                writer = csv.writer(text)
                writer.writerows((_time(at), channel.probe, channel.quantity, value) for at, value, _ in rows)
                yield text.getvalue()


def _time(at_ms: int) -> str:
    at: datetime = from_ms(at_ms).astimezone(UTC)
    return f"{at:%Y-%m-%dT%H:%M:%S}.{at.microsecond // 1000:03d}Z"
