"""The misting cycles of the last days as a list: what each put into the air, and why one cannot be told."""

import statistics
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from dashboard.verdicts import Shown, of_cycle
from dashboard.words import HUMIDITY, exact, measured
from service.lookback.bodies import Body
from service.lookback.days import assessed_days
from service.lookback.words import counted, listed, ms_of
from service.model import from_ms, to_ms
from service.store.engine import Store
from service.store.facts import EnclosureFact, RoomFacts

LISTED_DAYS: Final = 14
_FULL: Final = 25.0
"""Added humidity that fills the bar beside a cycle, as on the day strip. [%RH]"""


@dataclass(frozen=True, slots=True)
class CycleView:
    """A misting cycle, ready to be read.

    Attributes
    ----------
    day : date
        Local.
    clock, at_iso, at_exact, weekday : str
    shown : Shown
    response, rise, decay : str
        A dash where not known.
    share : float
        Of the bar that the response fills, 0 to 1.
    sentence : str
    calls : bool
        Whether it stands out: weak, or nothing reached the air.
    explains : bool
        Whether there is no verdict, so that its sentence says why.
    """

    day: date
    clock: str
    at_iso: str
    at_exact: str
    weekday: str
    shown: Shown
    response: str
    rise: str
    decay: str
    share: float
    sentence: str
    calls: bool
    explains: bool


@dataclass(frozen=True, slots=True)
class MistingList:
    """The cycles, newest first, and what they came to in a sentence."""

    cycles: tuple[CycleView, ...]
    counts: str
    calls: bool


def cycle_view(cycle: Body, zone: ZoneInfo) -> CycleView:
    """Return a judged cycle, as `service.lookback.bodies` makes it, in words."""
    at = from_ms(ms_of(cycle["at"]))
    local, verdict, response = at.astimezone(zone), cycle["verdict"], cycle["response"]
    known = response is not None and verdict in {"confirmed", "weak", "none", None}
    added = None if response is None or not known else max(0.0, response)
    return CycleView(
        day=local.date(),
        clock=f"{local:%H:%M}",
        at_iso=cycle["at"],
        at_exact=exact(at, zone),
        weekday=f"{local:%a} {local.day} {local:%b}",
        shown=of_cycle(verdict),
        response="–" if added is None else measured(added, HUMIDITY),
        rise=_minutes(cycle["rise_minutes"]) if known and verdict != "none" else "–",
        decay=_minutes(cycle["decay_minutes"]),
        share=0.0 if added is None else min(1.0, added / _FULL),
        sentence=cycle["sentence"],
        calls=verdict in {"weak", "none"},
        explains=verdict in {"saturated", "no data"},
    )


def _minutes(value: float | None) -> str:
    return "–" if value is None else measured(value, "min")


def misting_list(store: Store, facts: RoomFacts, enclosure: EnclosureFact, now: datetime) -> MistingList:
    """Return the cycles of the last 14 local days, today's included.

    Parameters
    ----------
    store : Store
    facts, enclosure : RoomFacts, EnclosureFact
    now : datetime
    """
    today = now.astimezone(facts.zone).date()
    assessed = assessed_days(store, facts, enclosure, today - timedelta(LISTED_DAYS - 1), today, to_ms(now))
    cycles = [cycle for day in assessed.days for cycle in day.body["misting"]]
    return listed_cycles(cycles, facts.zone)


def listed_cycles(cycles: Sequence[Body], zone: ZoneInfo) -> MistingList:
    """Return cycles, given in order of time, newest first."""
    views = tuple(cycle_view(cycle, zone) for cycle in reversed(cycles))
    return MistingList(views, _counts(cycles), any(view.calls for view in views))


def _counts(cycles: Sequence[Body]) -> str:
    """Return ``24 of 28 cycles confirmed, in the middle 17 %RH added; 3 weak and 1 none.``."""
    found = Counter(cycle["verdict"] for cycle in cycles)
    words = {
        "weak": "weak",
        "none": "that did not reach the air",
        "saturated": "in air too wet to tell",
        "no data": "without enough data",
        None: "not over",
    }
    others = [f"{found[verdict]} {word}" for verdict, word in words.items() if found[verdict]]
    said = f"{found['confirmed']} of {counted(len(cycles), 'cycle')} confirmed"
    responses = [cycle["response"] for cycle in cycles if cycle["verdict"] == "confirmed"]
    if len(responses) > 1:
        said += f", the median of them added {measured(statistics.median(responses), HUMIDITY)}"
    return f"{said}; {listed(others)}." if others else f"{said}."
