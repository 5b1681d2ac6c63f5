"""The large strip of a past day, and the spikes of it that no misting cycle explains."""

import math
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np
from markupsafe import Markup
from sqlmodel import Session

from dashboard.day import Axis, RainMark, day_axis
from dashboard.strip_svg import Quantity, Strip, draw
from dashboard.strips import DayTrace, bucketed
from dashboard.tiles import HEAT, HEAT_ZONES, WARMTH, WATER_ZONES, Lead, day_plan
from dashboard.words import HUMIDITY, measured, zone_name
from service.climate.day_view import DayView
from service.climate.series import cadence_of
from service.climate.wetting import wetting_of
from service.lookback.bodies import Body
from service.lookback.inputs import day_readings, read_tapes
from service.lookback.plan import plan_day
from service.lookback.words import ms_of
from service.model import from_ms, to_ms
from service.store.facts import EnclosureFact, RoomFacts
from service.store.history import corrected, placements_in
from service.store.programme import Programme, photoperiods
from service.store.readings import read_readings

_OF_WATER: Final = frozenset({"humidity-day", "humidity-night", "dry-down"})
_OF_RAIN: Final = frozenset({"misting-cycles", "humidity-spikes", "photoperiod"})
"""The rain line and the ground show what these are about, whichever line is drawn."""


def day_strip(session: Session, facts: RoomFacts, enclosure: EnclosureFact, body: Body, now: datetime) -> Markup:
    """Return the large strip of an assessed day.

    Parameters
    ----------
    session : Session
        Of `Store.read`.
    facts, enclosure : RoomFacts, EnclosureFact
    body : dict
        As `service.lookback.bodies.body_of` makes it.
    now : datetime
    """
    day = date.fromisoformat(body["day"]["date"])
    axis = day_axis(day, facts.zone)
    heat, water = (lead_on(facts, enclosure, axis, kind) for kind in ("heat", "water"))
    leads = _leads(body, heat, water)
    targets = Programme(facts, enclosure).day(day).targets
    periods = photoperiods(session, facts, enclosure, day - timedelta(1), day)
    shown = heat if leads == "heat" else water
    strip = Strip(
        plan=day_plan(enclosure, targets, periods, axis, heat.zone if heat else "", day),
        now_ms=to_ms(now),
        heat=_trace(session, enclosure, heat, axis),
        water=_trace(session, enclosure, water, axis),
        rain=tuple(_mark(cycle) for cycle in body["misting"]),
        leads=leads,
        warmth=WARMTH.get(heat.zone, "middle") if heat else "middle",
        label=_label(shown, leads, day),
    )
    return draw(strip, hours=True)


def lead_on(facts: RoomFacts, enclosure: EnclosureFact, axis: Axis, quantity: Quantity) -> Lead | None:
    """Return the channel that stood for a quantity on a day: in the usual zone, of several there the longest."""
    kinds = HEAT if quantity == "heat" else ("relative_humidity",)
    zones = HEAT_ZONES if quantity == "heat" else WATER_ZONES
    found: list[tuple[int, int, int, Lead]] = []
    for placed in placements_in(facts, enclosure, axis.start_ms, axis.end_ms):
        channel = facts.channels[placed.channel_id]
        if channel.quantity in kinds and placed.zone in zones:
            stood = min(placed.end_ms, axis.end_ms) - max(placed.start_ms, axis.start_ms)
            rank = (zones.index(placed.zone), kinds.index(channel.quantity), -stood)
            found.append((*rank, Lead(channel, placed.zone)))
    return min(found, key=lambda one: one[:3])[3] if found else None


def _leads(body: Body, heat: Lead | None, water: Lead | None) -> Quantity:
    """Return whether the line is humidity: where that alone failed, or no temperature is measured."""
    failed = {check["check"] for check in body["day"]["checks"] if check["verdict"] == "not met"}
    if water is not None and (heat is None or (failed & _OF_WATER and not failed - _OF_WATER - _OF_RAIN)):
        return "water"
    return "heat"


def _trace(session: Session, enclosure: EnclosureFact, lead: Lead | None, axis: Axis) -> DayTrace | None:
    """Return what a channel said on a day while it stood there."""
    if lead is None:
        return None
    readings = corrected(lead.channel, read_readings(session, lead.channel.id, axis.start_ms, axis.end_ms))
    here = np.zeros(len(readings), dtype=np.bool_)
    for placed in enclosure.placements:
        if placed.channel_id == lead.channel.id and placed.zone == lead.zone:
            here |= (readings.at >= placed.start_ms) & (readings.at < placed.end_ms)
    readings = type(readings)(readings.at[here], readings.value[here], readings.flags[here])
    cadence = lead.channel.declared_cadence_ms or cadence_of(readings.at)
    return DayTrace(cadence, bucketed(readings, axis.start_ms, cadence))


def _mark(cycle: Body) -> RainMark:
    response = math.nan if cycle["response"] is None else cycle["response"]
    return RainMark(ms_of(cycle["at"]), cycle["verdict"] or "running", response)


def _label(lead: Lead | None, quantity: Quantity, day: date) -> str:
    what = "temperature" if quantity == "heat" else "humidity"
    where = f"{zone_name(lead.zone).lower()} {what}" if lead else f"no {what} is measured"
    return f"{day.day} {day:%B}: {where}; the checks below say the same in words"


def spikes_of(
    session: Session, facts: RoomFacts, enclosure: EnclosureFact, day: date, now: datetime
) -> tuple[str, ...]:
    """Return the humidity spikes of a day that follow no misting cycle, in words, by the checks' own computation."""
    plan = plan_day(facts, enclosure, Programme(facts, enclosure), day)
    given = day_readings(plan, read_tapes(session, [plan]), to_ms(now)).given
    return tuple(
        f"{from_ms(spike.peak_ms).astimezone(facts.zone):%H:%M}: {measured(spike.added, HUMIDITY)} of water added "
        f"within {measured(spike.rise_minutes, 'min')}, with no cycle before it: misted by hand, a door, a spill?"
        for spike in wetting_of(DayView(given)).spikes
    )
