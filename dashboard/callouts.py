"""Who needs someone: what happened, where, since when, how bad, why probably, what to do next, and the caution."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from dashboard.tiles import TileView
from dashboard.words import clock, condition_name, exact, iso, measured, number, span, unit_of, zone_name
from service.api.standing import Standing
from service.model import Alarm

NEEDS_SOMEONE: Final = ("act", "blind")
HEAT_CAUTION: Final = (
    "Wardian switches nothing off. A heat source needs its own thermostat and an independent high-limit cut-out."
)
WATER_CAUTION: Final = (
    "Mains electricity near misting needs residual-current protection, and an electrician under the local code."
)
ANIMAL_CAUTION: Final = "A sick animal needs a veterinarian."
_HOT: Final = frozenset({"basking-overheat", "basking-heading-over", "retreat-hot", "night-hot", "heat-at-night"})
_HEATING: Final = _HOT | {"basking-cold", "night-cold", "lights-late", "lights-stuck-on"}
_MISTING: Final = frozenset({"misting-missed", "misting-weakening"})
_NEXT_STEP: Final = {
    "basking-overheat": "Switch the lamp off at the wall. Then check its height, its bulb and the thermostat's probe.",
    "basking-heading-over": "Go now: check the lamp's height and the thermostat's probe before the limit is reached.",
    "basking-cold": "Check that the lamp is lit, its plug and its thermostat.",
    "retreat-hot": "Give the animal a cool place: open the ventilation, lower the heating, check the room.",
    "night-cold": "Check the night heating and the room's temperature.",
    "night-hot": "Check that all heating is off and the ventilation is free.",
    "heat-at-night": "Switch the lamp off at the wall, then check its timer and thermostat.",
    "too-dry": "Mist by hand, then check the nozzles, the reservoir and the ventilation.",
    "too-wet": "Open the ventilation, and check that the misting ends when it should.",
    "misting-missed": "Mist by hand, then check the pump, the reservoir, the filter and the timer.",
    "misting-weakening": "Clean or replace the nozzle and the filter, and look at the reservoir and the pump.",
    "lights-late": "Check the lamp and its timer.",
    "lights-stuck-on": "Check the timer: the animal needs its night.",
    "probe-silent": "Look at the enclosure itself, then at the probe's power, its battery and its radio.",
    "probe-stuck": "Breathe on the probe: if its value stays, replace it.",
    "probe-saturated": "Dry the probe; it cannot be believed while it is wet.",
    "probe-impossible": "Check the probe's wiring, and replace it if it goes on.",
}
_LOOK: Final = "Look at the enclosure."


@dataclass(frozen=True, slots=True)
class AlarmView:
    """One alarm, ready to be read.

    Attributes
    ----------
    id : int
    what, priority, state, where : str
    since, since_iso, since_exact : str
        When it began.
    lasted : str
        How long it has stood, or stood.
    peak, limit, cause, next_step, caution, answer : str
        Empty where there is none; `answer` says who acknowledged it, when, or that nobody has.
    returned : str
        When it returned to normal; empty while it stands.
    is_answered : bool
    """

    id: int
    what: str
    priority: str
    state: str
    where: str
    since: str
    since_iso: str
    since_exact: str
    lasted: str
    peak: str
    limit: str
    cause: str
    next_step: str
    caution: str
    answer: str
    returned: str
    is_answered: bool


@dataclass(frozen=True, slots=True)
class Callout:
    """An enclosure that needs someone, with its worst alarm where there is one."""

    tile: TileView
    headline: str
    alarm: AlarmView | None
    others: tuple[AlarmView, ...]


def alarm_view(alarm: Alarm, now: datetime, zone: ZoneInfo) -> AlarmView:
    """Return an alarm in words; `now` and `zone` for ages and local times."""
    unit = unit_of(alarm.unit)
    until = alarm.returned_at or now
    return AlarmView(
        id=alarm.id or 0,
        what=condition_name(alarm.condition),
        priority=alarm.priority,
        state=alarm.state,
        where=zone_name(alarm.zone) if alarm.zone else "",
        since=clock(alarm.began_at, zone, now),
        since_iso=iso(alarm.began_at),
        since_exact=exact(alarm.began_at, zone),
        lasted=span((until - alarm.began_at).total_seconds()),
        peak=measured(alarm.peak, unit) if alarm.peak is not None else "",
        limit=measured(alarm.limit, unit) if alarm.limit is not None else "",
        cause=alarm.cause or "",
        next_step=_NEXT_STEP.get(alarm.condition, _LOOK),
        caution=caution_for(alarm.condition),
        answer=_answer(alarm, now, zone),
        returned=clock(alarm.returned_at, zone, now) if alarm.returned_at else "",
        is_answered=alarm.acknowledged_at is not None,
    )


def caution_for(condition: str) -> str:
    """Return the caution that belongs beside a condition; empty where heat, mains and water play no part."""
    if condition in _HOT:
        return f"{HEAT_CAUTION} {ANIMAL_CAUTION}"
    if condition in _HEATING:
        return HEAT_CAUTION
    return WATER_CAUTION if condition in _MISTING else ""


def _answer(alarm: Alarm, now: datetime, zone: ZoneInfo) -> str:
    if alarm.acknowledged_at is None:
        return f"unacknowledged since {clock(alarm.raised_at, zone, now)}"
    by = f" by {alarm.acknowledged_by}" if alarm.acknowledged_by else ""
    return f"acknowledged{by}, {clock(alarm.acknowledged_at, zone, now)}"


def callouts(
    standings: Sequence[Standing], tiles: Sequence[TileView], now: datetime, zone: ZoneInfo
) -> tuple[Callout, ...]:
    """Return a call-out for each enclosure that needs someone, the most urgent first.

    Parameters
    ----------
    standings, tiles : sequences of the same length
    now, zone : datetime, ZoneInfo
    """
    found: list[tuple[tuple[int, int, float], Callout]] = []
    for standing, tile in zip(standings, tiles, strict=True):
        if standing.state not in NEEDS_SOMEONE:
            continue
        views = tuple(alarm_view(alarm, now, zone) for alarm in standing.alarms)
        worst = views[0] if views else None
        began = standing.alarms[0].began_at.timestamp() if views else 0.0
        priority = ("high", "medium", "low").index(worst.priority) if worst else 1
        urgency = (NEEDS_SOMEONE.index(standing.state), priority, began)
        found.append((urgency, Callout(tile, headline(standing, worst), worst, views[1:])))
    return tuple(callout for _, callout in sorted(found, key=lambda pair: pair[0]))


def headline(standing: Standing, worst: AlarmView | None) -> str:
    """Return what happened in one line: ``Basking spot 41.2 °C, limit 38.0 °C, for 12 min``."""
    figure = standing.figure
    lasting = f", for {worst.lasted}" if worst else ""
    if standing.state == "blind" or figure is None:
        return standing.sentence
    unit = unit_of(figure.unit)
    limit = figure.limit
    against = f", limit {measured(limit, unit)}" if limit is not None else ""
    return f"{figure.about} {number(figure.value, unit)}\N{NO-BREAK SPACE}{unit}{against}{lasting}"
