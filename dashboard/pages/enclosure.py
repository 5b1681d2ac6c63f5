"""The Enclosure page, and the pieces of it that change."""

from typing import Final

from fastapi import APIRouter, Response

from dashboard.alarms import rest_view
from dashboard.enclosure import EnclosureViews
from dashboard.headers import CHART_POLICY
from dashboard.pages.charts import enclosure_named
from dashboard.pages.site import Pages
from service.api.live import live_position
from service.climate.ranges import DAY_MS
from service.model import to_ms
from service.store.animals import living_in, load_animals
from service.store.journal import KINDS

NOTE_KINDS: Final = [
    (key, KINDS[key].words)
    for key in ("fed", "refused-food", "shed", "laid", "moved", "lamp-changed", "hand-misted", "note")
]
"""What is noted in the aisle; the rest has forms of its own."""
SPANS: Final = {"24h": DAY_MS, "7d": 7 * DAY_MS, "30d": 30 * DAY_MS, "year": 365 * DAY_MS}


def enclosure_router(pages: Pages) -> APIRouter:
    """Return the routes of the page."""
    router = APIRouter(include_in_schema=False)
    parts, views = pages.parts, EnclosureViews(pages.parts.rhythms)

    @router.get("/enclosures/{key}")
    def _page(key: str) -> Response:
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
            if key not in facts.by_key:
                return pages.html("missing.html", facts, now, 404, key=key)
            view, after = views.view(session, facts, facts.by_key[key], now), live_position(session)
            rest = rest_view(session, facts, facts.by_key[key].id, now)
            living = living_in(load_animals(session), facts.by_key[key].id, to_ms(now))
        aisle = {"residents": [one.name for one in living], "note_kinds": NOTE_KINDS}
        profile = facts.by_key[key].profile_at(to_ms(now))
        shown = {"view": view, "rest": rest, "live_after": after, "spans": SPANS, "plotly_url": pages.assets.plotly_url}
        page = pages.html("enclosure.html", facts, now, profile_key=profile, **shown, **aisle)
        page.headers["Content-Security-Policy"] = CHART_POLICY
        return page

    @router.get("/fragments/enclosures/{key}")
    def _pieces(key: str) -> Response:
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
            view = views.view(session, facts, enclosure_named(facts, key), now)
            rest = rest_view(session, facts, facts.by_key[key].id, now)
        return pages.html("enclosure_fragment.html", facts, now, view=view, rest=rest)

    return router
