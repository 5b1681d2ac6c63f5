"""Reads what the pictures of a report show, and draws them."""

from typing import Final

from service.climate.day_cycle import local_day
from service.climate.ranges import DAY_MS
from service.lookback.bodies import Body
from service.lookback.degrees import Degrees
from service.lookback.forms.channel_days import DRAWN, channel_days
from service.lookback.forms.charts import span_picture, week_picture
from service.lookback.forms.document import Picture
from service.lookback.lives.stays import Stay
from service.lookback.words import ms_of
from service.model import from_ms
from service.store.engine import Store
from service.store.facts import EnclosureFact, PlacementFact, RoomFacts
from service.store.history import ChannelSeries, chart_series, placements_in

CLOSE_DAYS: Final = 7
"""So many days before the event are drawn reading by reading."""
_POINTS: Final = 1_400
"""Of a channel in them: two for each pixel column of a printed page."""


def pictures_of(
    store: Store, facts: RoomFacts, report: Body, stays: list[Stay], degrees: Degrees = "C"
) -> list[Picture]:
    """Return the pictures of a report; none where nothing was measured.

    Parameters
    ----------
    store : Store
    facts : RoomFacts
    report : dict
    stays : list of Stay
        Within its span, in order of time.
    degrees : str
        "C" or "F".
    """
    event = report.get("event_at")
    event_ms = None if event is None else ms_of(event)
    with store.read() as session:
        days = channel_days(session, facts, stays)
        if not days:
            return []
        whole = span_picture(report, days, stays, event_ms, facts.zone, degrees)
        last_day = max(day for one in days for day in one.days)
        end = local_day(last_day, facts.zone)[1] if event_ms is None else _day_end(event_ms, facts)
        start = max(ms_of(report["from"]), end - CLOSE_DAYS * DAY_MS)
        if end - start < CLOSE_DAYS * DAY_MS // 4:
            return [whole]
        series: list[ChannelSeries] = []
        for stay in stays:
            part = stay.within(start, end)
            if part is not None:
                series += chart_series(session, facts, _placed(facts, part), part.start_ms, part.end_ms, _POINTS)
    if not any(one.at.size for one in series):
        return [whole]
    return [whole, week_picture(report, series, (start, end), event_ms, facts.zone, degrees)]


def _placed(facts: RoomFacts, stay: Stay) -> list[PlacementFact]:
    """Return the placements of a stay whose channels are drawn."""
    found = placements_in(facts, stay.enclosure, stay.start_ms, stay.end_ms)
    return [p for p in found if facts.channels[p.channel_id].quantity in DRAWN and p.zone != "outside"]


def _day_end(at_ms: int, facts: RoomFacts) -> int:
    return local_day(from_ms(at_ms).astimezone(facts.zone).date(), facts.zone)[1]


def enclosure_stay(enclosure: EnclosureFact, report: Body) -> list[Stay]:
    """Return the whole span in one enclosure, as a stay."""
    return [Stay(enclosure, ms_of(report["from"]), ms_of(report["to"]))]
