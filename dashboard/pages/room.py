"""The Room page, and the pieces of it that change."""

from typing import Annotated

from fastapi import APIRouter, Query, Response
from fastapi.responses import HTMLResponse

from dashboard.pages.site import Pages
from dashboard.room import RoomViews
from service.api.live import live_position

_LONGEST_LIST = 60_000


def room_router(pages: Pages, views: RoomViews) -> APIRouter:
    """Return the routes of the Room page."""
    router = APIRouter(include_in_schema=False)
    parts = pages.parts

    @router.get("/")
    def _room() -> HTMLResponse:
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
            view = views.view(session, facts, now)
            after = live_position(session)
        return pages.html("room.html", facts, now, view=view, live_after=after)

    @router.get("/fragments/tiles")
    def _tiles(enclosures: Annotated[str, Query(max_length=_LONGEST_LIST)] = "") -> Response:
        """Answer the counts, the call-outs and the tiles asked for, as they stand now; without a list, all tiles."""
        return tiles_wanted(pages, views, enclosures)

    return router


def tiles_wanted(pages: Pages, views: RoomViews, enclosures: str) -> HTMLResponse:
    """Return the counts, the call-outs and the tiles of a list of keys parted by commas; of an empty one, all tiles."""
    parts, wanted = pages.parts, set(enclosures.split(",")) if enclosures else None
    with parts.store.read() as session:
        facts, now = parts.facts(session), parts.now()
        view = views.view(session, facts, now, wanted)
    cells = [
        (cell, rack.floor(line))
        for page in view.pages
        for line in page
        for rack in line.racks
        for cell in rack.cells
        if wanted is None or cell.enclosure.key in wanted
    ]
    return pages.html("tiles_fragment.html", facts, now, view=view, cells=cells)
