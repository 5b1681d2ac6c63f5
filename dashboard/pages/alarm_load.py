"""The Load page, and the trial of another limit that it leads to."""

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse

from dashboard.alarm_load import SPANS, load_view
from dashboard.alarm_trial import trial_view
from dashboard.pages.charts import enclosure_named
from dashboard.pages.site import Pages
from service.climate.ranges import DAY_MS
from service.errors import BadUse
from service.model import to_ms
from service.watch.trial import try_limits

Days = Annotated[int, Query(ge=1, le=366)]


def load_router(pages: Pages) -> APIRouter:
    """Return the routes of the page."""
    router = APIRouter(include_in_schema=False)
    parts = pages.parts

    @router.get("/alarms/load")
    def _load(days: Days = 30) -> HTMLResponse:
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
            view = load_view(session, facts, now, days)
        return pages.html("alarm_load.html", facts, now, view=view, spans=SPANS)

    @router.get("/alarms/load/trial")
    def _trial(
        enclosure: Annotated[str, Query(max_length=64)],
        condition: Annotated[str, Query(max_length=64)],
        limit: Annotated[float | None, Query()] = None,
        days: Annotated[int, Query(ge=1, le=92)] = 30,
    ) -> HTMLResponse:
        with parts.store.read() as session:
            facts, now = parts.facts(session), parts.now()
            named, end_ms = enclosure_named(facts, enclosure), to_ms(now)
            try:
                trial = try_limits(session, facts, named, condition, end_ms - days * DAY_MS, end_ms, limit)
            except BadUse as exc:
                return pages.html("alarm_trial.html", facts, now, 422, view=None, said=f"Nothing was tried: {exc}.")
        return pages.html("alarm_trial.html", facts, now, view=trial_view(trial, facts, now, limit), said="")

    return router
