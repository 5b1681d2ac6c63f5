"""An enclosure's past: the calendar of days, each day, the misting list, the typical day and the rain response.

Each has a page of its own, which works without scripts; the Enclosure page fetches the same pages and takes the piece.
"""

from collections.abc import Callable
from datetime import date, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response

from dashboard.calendar import WEEKDAYS, Window, calendar_of, goes_back, past_days, window_of
from dashboard.days import day_page, has_day
from dashboard.hourly import HourlyMedians
from dashboard.misting_list import LISTED_DAYS, misting_list
from dashboard.pages.site import Pages
from dashboard.rain_curves import RainCurves
from dashboard.rain_response import TABLE_MINUTES, rain_response
from dashboard.typical import typical_panels
from dashboard.verdicts import CYCLE_LEGEND, DAY_LEGEND
from service.errors import NotFound
from service.lookback.spans import enclosure_of
from service.lookback.text import CAUTION
from service.store.facts import EnclosureFact, RoomFacts
from service.watch.conditions import HEAT_CAUTION, MAINS_CAUTION, MISTING_WEAKENING

Until = Annotated[str | None, Query(max_length=10, description="a day of the last week that is shown: 2026-03-01")]
_Shown = dict[str, Any]


def days_router(pages: Pages) -> APIRouter:
    """Return the routes of an enclosure's days."""
    router = APIRouter(include_in_schema=False)
    answer = _Answers(pages)

    @router.get("/enclosures/{key}/days")
    def _days(key: str, until: Until = None) -> Response:
        return answer.page(
            key, "days.html", lambda facts, enclosure, now: answer.calendar(facts, enclosure, now, until)
        )

    @router.get("/enclosures/{key}/days/{day}")
    def _day(key: str, day: str) -> Response:
        return answer.day(key, day)

    @router.get("/enclosures/{key}/misting")
    def _misting(key: str) -> Response:
        return answer.page(key, "misting.html", answer.misting)

    @router.get("/enclosures/{key}/typical-day")
    def _typical(key: str) -> Response:
        return answer.page(key, "typical.html", answer.typical)

    @router.get("/enclosures/{key}/rain-response")
    def _rain(key: str) -> Response:
        return answer.page(key, "rain_response.html", answer.rain)

    return router


def date_of(text: str) -> date | None:
    """Return a date of a page's address, None where it is none."""
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return None
    return day if day.isoformat() == text else None


class _Answers:
    """What the pages show; it remembers the hours of days and the curves of cycles."""

    def __init__(self, pages: Pages) -> None:
        self._pages, self._parts = pages, pages.parts
        self._hourly, self._curves = HourlyMedians(), RainCurves()

    def page(self, key: str, template: str, shown: Callable[[RoomFacts, EnclosureFact, datetime], _Shown]) -> Response:
        """Return a page, or the one that says that no enclosure has that key."""
        with self._parts.store.read() as session:
            facts, now = self._parts.facts(session), self._parts.now()
        try:
            enclosure = enclosure_of(facts, key)
        except NotFound:
            return self._pages.html("missing.html", facts, now, 404, key=key)
        about = {"key": enclosure.key, "name": enclosure.name, "is_retired": enclosure.key not in facts.by_key}
        return self._pages.html(template, facts, now, **about, **shown(facts, enclosure, now))

    def calendar(self, facts: RoomFacts, enclosure: EnclosureFact, now: datetime, until: str | None) -> _Shown:
        """Return the calendar of the 13 weeks that show `until`, by default the last."""
        window = self._window(facts, now, until)
        past = past_days(self._parts.store, facts, enclosure, window, now)
        with self._parts.store.read() as session:
            older = goes_back(session, facts, enclosure, window.first)
        return {
            "calendar": calendar_of(past, facts, now, goes_back=older),
            "weekdays": WEEKDAYS,
            "legend": DAY_LEGEND,
            "window": window,
        }

    def _window(self, facts: RoomFacts, now: datetime, until: str | None) -> Window:
        today = now.astimezone(facts.zone).date()
        asked = date_of(until) if until else None
        return window_of(asked if asked and asked.year > 1970 else today, today)  # noqa: PLR2004 - times are counted from then

    def day(self, key: str, text: str) -> Response:
        """Return the page of a day, or the one that says that there is none."""
        with self._parts.store.read() as session:
            facts, now = self._parts.facts(session), self._parts.now()
        try:
            enclosure = enclosure_of(facts, key)
        except NotFound:
            return self._pages.html("missing.html", facts, now, 404, key=key)
        day = date_of(text)
        about = {"key": enclosure.key, "name": enclosure.name, "is_retired": enclosure.key not in facts.by_key}
        if day is None or not has_day(enclosure, facts, day, now.astimezone(facts.zone).date()):
            return self._pages.html("day_missing.html", facts, now, 404, asked=text, **about)
        page = day_page(self._parts.store, facts, enclosure, day, now)
        cautions = {"caution": CAUTION, "heat_caution": HEAT_CAUTION, "mains_caution": MAINS_CAUTION}
        return self._pages.html("day.html", facts, now, page=page, cycle_legend=CYCLE_LEGEND, **cautions, **about)

    def misting(self, facts: RoomFacts, enclosure: EnclosureFact, now: datetime) -> _Shown:
        """Return the misting list."""
        return {
            "misting": misting_list(self._parts.store, facts, enclosure, now),
            "days": LISTED_DAYS,
            "legend": CYCLE_LEGEND,
            "next_step": MISTING_WEAKENING.next_step,
            "mains_caution": MAINS_CAUTION,
        }

    def typical(self, facts: RoomFacts, enclosure: EnclosureFact, now: datetime) -> _Shown:
        """Return the typical day."""
        with self._parts.store.read() as session:
            panels = typical_panels(session, facts, enclosure, self._hourly, self._parts.rhythms, now)
        return {"panels": panels, "heat_caution": HEAT_CAUTION}

    def rain(self, facts: RoomFacts, enclosure: EnclosureFact, now: datetime) -> _Shown:
        """Return the rain response."""
        today = now.astimezone(facts.zone).date()
        past = past_days(self._parts.store, facts, enclosure, window_of(today, today), now)
        with self._parts.store.read() as session:
            response = rain_response(session, facts, enclosure, past, self._curves, now)
        return {
            "rain": response,
            "minutes": TABLE_MINUTES,
            "next_step": MISTING_WEAKENING.next_step,
            "mains_caution": MAINS_CAUTION,
        }
