"""The rain response: what the last misting cycles added to the air, minute by minute, laid over each other."""

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from markupsafe import Markup
from sqlmodel import Session

from dashboard.calendar import PastDays
from dashboard.figures.rain_response import Curve, draw_curves
from dashboard.misting_list import CycleView, cycle_view
from dashboard.rain_curves import RainCurves
from dashboard.words import HUMIDITY, measured, number
from service.climate.misting import ASKED_RESPONSE, MistingResult, MistingVerdict
from service.climate.misting_trend import by_time_of_day, weakening_of
from service.lookback.bodies import Body
from service.lookback.words import counted, ms_of
from service.model import from_ms
from service.store.facts import EnclosureFact, RoomFacts

CYCLES: Final = 20
TABLE_MINUTES: Final = (0, 5, 10, 15, 20, 30, 45, 60, 90)
_JUDGED: Final = frozenset({"confirmed", "weak", "none"})
_LEAST_EARLIER: Final = 5
"""So many earlier cycles give a median to compare with, as in the check of weakening."""


@dataclass(frozen=True, slots=True)
class CurveRow:
    """A cycle in the table twin: added humidity at the minutes of `TABLE_MINUTES`."""

    cycle: CycleView
    values: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RainResponse:
    """The piece, ready to be shown.

    Attributes
    ----------
    picture : Markup or None
        SVG; None where no cycle can be drawn.
    sentence : str
    cycles : tuple of CycleView
        In order of time.
    rows : tuple of CurveRow
        Newest first.
    weakening : tuple of str
        Where the misting weakens, a sentence a time of day.
    calls : bool
        Whether it weakens, or the newest judged cycle was weak or did not reach the air.
    """

    picture: Markup | None
    sentence: str
    cycles: tuple[CycleView, ...]
    rows: tuple[CurveRow, ...]
    weakening: tuple[str, ...]
    calls: bool


def rain_response(
    session: Session, facts: RoomFacts, enclosure: EnclosureFact, past: PastDays, known: RainCurves, now: datetime
) -> RainResponse:
    """Return the last cycles of an enclosure.

    Parameters
    ----------
    session : Session
        Of `Store.read`.
    facts, enclosure : RoomFacts, EnclosureFact
    past : PastDays
        The newest ones.
    known : RainCurves
    now : datetime
    """
    by_time = sorted((ms_of(cycle["at"]), cycle) for body in past.bodies.values() for cycle in body["misting"])
    cycles = [cycle for _, cycle in by_time[-CYCLES:]]
    curves = known.of(session, facts, enclosure, past, cycles, now)
    views = [cycle_view(cycle, facts.zone) for cycle in cycles]
    same = {ms_of(cycle["at"]) for cycle in alike(cycles, facts.zone)}
    curves = [replace(c, is_alike=ms_of(b["at"]) in same) for b, c in zip(cycles, curves, strict=True)]
    drawn = [curve for curve in curves if curve.minutes.size]
    sentence, weakening = sentence_of(cycles, facts.zone), _weakening(past, facts.zone)
    asked = _asked(past, now.astimezone(facts.zone).date())
    judged = [cycle["verdict"] for cycle in cycles if cycle["verdict"] in _JUDGED]
    rows = [CurveRow(view, _values(curve)) for view, curve in zip(views, curves, strict=True)]
    return RainResponse(
        picture=draw_curves(drawn, asked, f"{sentence} The table below has the numbers.") if drawn else None,
        sentence=sentence,
        cycles=tuple(views),
        rows=tuple(reversed(rows)),
        weakening=weakening,
        calls=bool(weakening) or (bool(judged) and judged[-1] != "confirmed"),
    )


def _asked(past: PastDays, today: date) -> float:
    """Return the added humidity that a working cycle shows: the profile's, else the usual one [%RH]."""
    body = past.bodies.get(today)
    checks = body["day"]["checks"] if body else ()
    own = next((check["target"]["low"] for check in checks if check["check"] == "misting-cycles"), None)
    return ASKED_RESPONSE if own is None else float(own)


def alike(cycles: Sequence[Body], zone: ZoneInfo) -> list[Body]:
    """Return the cycles of the newest one's time of day, it last: evening air answers otherwise than morning air."""
    results = [MistingResult(ms_of(cycle["at"]), cycle["basis"], None) for cycle in cycles]
    newest = results[-1].at_ms if results else None
    group = next((g for g in by_time_of_day(results, zone) if g[-1].at_ms == newest), [])
    wanted = {result.at_ms for result in group}
    return [cycle for cycle in cycles if ms_of(cycle["at"]) in wanted]


def sentence_of(cycles: Sequence[Body], zone: ZoneInfo) -> str:
    """Return what the picture says: the newest cycle that can be told, against those before it at its time of day.

    Parameters
    ----------
    cycles : sequence of dict
        In order of time, as `service.lookback.bodies` makes them.
    zone : ZoneInfo
    """
    judged = [cycle for cycle in cycles if cycle["verdict"] in _JUDGED]
    if not cycles:
        return "No misting cycle was due or measured in these weeks."
    if not judged:
        return f"None of the last {counted(len(cycles), 'cycle')} can be told; the list says why."
    newest = cycle_view(judged[-1], zone)
    said = (
        f"The newest cycle that can be told, {newest.weekday} {newest.clock}, added {newest.response}: {_word(newest)}."
    )
    earlier = [max(0.0, cycle["response"]) for cycle in alike(judged, zone)[:-1]]
    if len(earlier) < _LEAST_EARLIER:
        return said
    return f"{said} The {len(earlier)} before it at that time of day added {_middle(earlier)}."


def _middle(responses: Sequence[float]) -> str:
    span = f"{number(min(responses), HUMIDITY)} to {measured(max(responses), HUMIDITY)}"
    return f"{span}, in the middle {measured(statistics.median(responses), HUMIDITY)}"


def _word(view: CycleView) -> str:
    return "it did not reach the air" if view.shown.css == "none" else view.shown.word


def _weakening(past: PastDays, zone: ZoneInfo) -> tuple[str, ...]:
    """Return where the last cycles of a time of day added much less than those before, by the check of weakening."""
    results = [
        MistingResult(
            ms_of(c["at"]),
            c["basis"],
            MistingVerdict(c["verdict"]),
            math.nan if c["response"] is None else c["response"],
        )
        for body in past.bodies.values()
        for c in body["misting"]
        if c["verdict"] is not None
    ]
    found: list[str] = []
    for group in by_time_of_day(results, zone):
        trend = weakening_of(group)
        if trend.weakening:
            found.append(f"At {from_ms(group[-1].at_ms).astimezone(zone):%H:%M}: {trend.sentence}")
    return tuple(found)


def _values(curve: Curve) -> tuple[str, ...]:
    """Return the reading next to each minute of the table, no further than a reading stands."""
    found: list[str] = []
    for minute in TABLE_MINUTES:
        near = np.abs(curve.minutes - minute)
        i = int(np.argmin(near)) if near.size else -1
        known = i >= 0 and near[i] <= 2.5 and not math.isnan(curve.added[i])  # noqa: PLR2004 - half of the least hold [min]
        found.append(number(float(curve.added[i]), HUMIDITY) if known else "–")
    return tuple(found)
