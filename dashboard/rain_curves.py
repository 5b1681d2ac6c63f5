"""What misting cycles added to the air, minute by minute, remembered by what their days were assessed from."""

import math
import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from sqlmodel import Session

from dashboard.calendar import PastDays
from dashboard.figures.rain_response import Curve
from service.climate.day_view import DayView
from service.climate.ranges import MINUTE_MS, Floats
from service.climate.series import hold_ms
from service.climate.zone_air import ZoneAir, air_of
from service.lookback.bodies import Body
from service.lookback.inputs import day_readings, read_tapes
from service.lookback.plan import DayPlan, plan_day
from service.lookback.words import ms_of
from service.model import from_ms, to_ms
from service.store.facts import EnclosureFact, RoomFacts
from service.store.programme import Programme

BEFORE_MIN: Final = 10
AFTER_MIN: Final = 90
_AIR: Final = frozenset({"relative_humidity", "air_temperature", "illuminance", "power"})
"""What the choice of a day's air rests on; the last two tell when it is day."""
_MOST_DAYS: Final = 5_000
_Line = tuple[Floats, Floats]
_NOTHING: Final[_Line] = (np.empty(0), np.empty(0))


def local_date(cycle: Body, zone: ZoneInfo) -> date:
    """Return the local date on which a cycle started."""
    return from_ms(ms_of(cycle["at"])).astimezone(zone).date()


class RainCurves:
    """The curves of misting cycles; those of a day are worked out again when what it rests on changed.

    Safe between threads: the worst is that two work the same out.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._known: OrderedDict[tuple[int, date], tuple[bytes, dict[int, _Line]]] = OrderedDict()

    def of(
        self,
        session: Session,
        facts: RoomFacts,
        enclosure: EnclosureFact,
        past: PastDays,
        cycles: Sequence[Body],
        now: datetime,
    ) -> list[Curve]:
        """Return the curve of each cycle, from 10 min before it to 90 min after, or to the next one of them.

        Parameters
        ----------
        session : Session
            Of `Store.read`.
        facts, enclosure : RoomFacts, EnclosureFact
        past : PastDays
            With the days of the cycles.
        cycles : sequence of dict
            In order of time, as `service.lookback.bodies` makes them.
        now : datetime
        """
        days = sorted({local_date(cycle, facts.zone) for cycle in cycles})
        with self._lock:
            held = {day: self._known.get((enclosure.id, day)) for day in days}
        lines = {day: known[1] for day, known in held.items() if known and known[0] == past.inputs[day]}
        missing = [day for day in days if day not in lines]
        for day, air in _airs(session, facts, enclosure, missing, now).items():
            # All of the day's, though some may not be asked for: another time they are.
            lines[day] = _lines(air, past.bodies[day]["misting"], to_ms(now))
            self._remember((enclosure.id, day), past.inputs[day], lines[day])
        following = [*(ms_of(cycle["at"]) for cycle in cycles[1:]), None][: len(cycles)]
        return [
            _curve(cycle, lines.get(local_date(cycle, facts.zone), {}), next_ms)
            for cycle, next_ms in zip(cycles, following, strict=True)
        ]

    def _remember(self, key: tuple[int, date], inputs: bytes, lines: dict[int, _Line]) -> None:
        with self._lock:
            self._known[key] = (inputs, lines)
            self._known.move_to_end(key)
            while len(self._known) > _MOST_DAYS:
                self._known.popitem(last=False)


def _airs(
    session: Session, facts: RoomFacts, enclosure: EnclosureFact, days: Sequence[date], now: datetime
) -> dict[date, ZoneAir]:
    """Return the air in which the cycles of each day were judged: chosen by the checks themselves."""
    if not days:
        return {}
    programme = Programme(facts, enclosure)
    plans = [_about_air(plan_day(facts, enclosure, programme, day)) for day in days]
    tapes = read_tapes(session, plans)
    found: dict[date, ZoneAir] = {}
    for plan in plans:
        air = air_of(DayView(day_readings(plan, tapes, to_ms(now)).given))
        if isinstance(air, ZoneAir):
            found[plan.day] = air
    return found


def _about_air(plan: DayPlan) -> DayPlan:
    """Return the plan without the channels that the air of an enclosure has nothing to do with: they are not read."""
    return replace(plan, placed=tuple(p for p in plan.placed if p.fact.quantity in _AIR))


def _lines(air: ZoneAir, cycles: Sequence[Body], now_ms: int) -> dict[int, _Line]:
    """Return minutes and added humidity of each cycle by its start."""
    return {ms_of(cycle["at"]): _line(air, cycle, now_ms) for cycle in cycles}


def _line(air: ZoneAir, cycle: Body, now_ms: int) -> _Line:
    at, baseline = ms_of(cycle["at"]), cycle["baseline_vapour_pressure"]
    if baseline is None:
        return _NOTHING
    end = min(at + AFTER_MIN * MINUTE_MS + 1, now_ms)
    first, last = (int(i) for i in np.searchsorted(air.at, (at - BEFORE_MIN * MINUTE_MS, end)))
    times = air.at[first:last]
    minutes = (times - at) / MINUTE_MS
    added = air.added_humidity(baseline, slice(first, last))
    # A gap is a break: no line is drawn over what is not known.
    broken = np.flatnonzero(np.diff(times) > hold_ms(air.cadence_ms)) + 1
    return np.insert(minutes, broken, minutes[broken]), np.insert(added, broken, np.nan)


def _curve(cycle: Body, lines: dict[int, _Line], next_ms: int | None) -> Curve:
    at = ms_of(cycle["at"])
    minutes, added = lines.get(at, _NOTHING)
    response = math.nan if cycle["response"] is None else float(cycle["response"])
    until = len(minutes) if next_ms is None else int(np.searchsorted(minutes, (next_ms - at) / MINUTE_MS))
    return Curve(minutes[:until], added[:until], cycle["verdict"], response)
