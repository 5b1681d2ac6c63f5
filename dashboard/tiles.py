"""An enclosure as a tile: its state, its figure, and the strip of its day."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from markupsafe import Markup
from sqlmodel import Session

from dashboard.day import Axis, Band, DayPlan, bands, day_axis, lit_spans, local_date, night_target
from dashboard.rain import TodaysRain
from dashboard.strip_svg import Quantity, Strip, draw
from dashboard.strips import StripCache
from dashboard.words import HUMIDITY, limits, measured, number, span, unit_of, zone_name
from service.api.rhythms import Rhythms
from service.api.standing import Standing
from service.api.zone_values import ZoneValue
from service.climate.day_cycle import Photoperiod, instant_of
from service.climate.day_view import Cycle
from service.climate.targets import Target
from service.model import to_ms
from service.store.facts import ChannelFact, EnclosureFact, RoomFacts

HEAT: Final = ("surface_temperature", "air_temperature", "substrate_temperature")
HEAT_ZONES: Final = ("basking", "warm-end", "egg-chamber", "ambient", "canopy", "cool-end", "retreat", "substrate")
WATER_ZONES: Final = ("ambient", "canopy", "cool-end", "warm-end", "basking", "retreat", "egg-chamber", "substrate")
_ANYWHERE: Final = ("outside",)
WARMTH: Final = {
    "basking": "warm",
    "warm-end": "warm",
    "cool-end": "cool",
    "retreat": "cool",
    "substrate": "cool",
}
"""The colour family of a zone's temperature; every other zone is in the middle."""


@dataclass(frozen=True, slots=True)
class Lead:
    """The channel whose line a strip shows."""

    channel: ChannelFact
    zone: str


@dataclass(frozen=True, slots=True)
class TileView:
    """What a tile shows; every text ready to be read.

    Attributes
    ----------
    key, name, place : str
        `place` is where it stands, in words.
    state, word : str
        See `service.api.standing.Standing`.
    figure, unit, about, target : str
        The figure that matters, what it is, and what it is held against; empty where there is none.
    sentence : str
    strip : Markup
        SVG.
    """

    key: str
    name: str
    place: str
    state: str
    word: str
    figure: str
    unit: str
    about: str
    target: str
    sentence: str
    strip: Markup


class DayDrawings:
    """Draws the strips of today, remembering what has been read and worked out.

    Parameters
    ----------
    rhythms : Rhythms
        Shared with whoever works out how enclosures stand.
    """

    def __init__(self, rhythms: Rhythms) -> None:
        self._rhythms = rhythms
        self._cache = StripCache()
        self._rain = TodaysRain()
        self._plans: dict[tuple[int, str, str], tuple[Sequence[Photoperiod], int, DayPlan]] = {}

    def tiles(
        self, session: Session, facts: RoomFacts, standings: Sequence[Standing], now: datetime, *, large: bool = False
    ) -> list[TileView]:
        """Return a tile for each enclosure.

        Parameters
        ----------
        session : Session
            Of `Store.read`.
        facts : RoomFacts
        standings : sequence of Standing
        now : datetime
            Aware.
        large : bool
            Whether hours and limits are written on the strips.
        """
        now_ms, axis = to_ms(now), day_axis(local_date(now, facts.zone), facts.zone)
        leads = [(lead_of(facts, standing, "heat"), lead_of(facts, standing, "water")) for standing in standings]
        wanted = {lead.channel.id: lead.channel for pair in leads for lead in pair if lead}
        traces = self._cache.traces(session, axis, facts.version, list(wanted.values()), now_ms)
        self._rain.begin(axis.start_ms)
        views: list[TileView] = []
        for standing, (heat, water) in zip(standings, leads, strict=True):
            leading = leading_quantity(standing)
            periods = self._rhythms.photoperiods(session, facts, standing.enclosure, now)
            plan = self._plan(facts, standing, periods, axis, heat.zone if heat else "", now)
            strip = Strip(
                plan=plan,
                now_ms=now_ms,
                heat=traces[heat.channel.id] if heat else None,
                water=traces[water.channel.id] if water else None,
                rain=self._rain.marks(session, facts, standing.enclosure, plan.cycles, periods, now_ms),
                leads=leading,
                warmth=WARMTH.get(heat.zone, "middle") if heat else "middle",
                label=_label(heat if leading == "heat" else water, leading),
            )
            views.append(tile_of(standing, draw(strip, hours=large), now_ms))
        return views

    def _plan(
        self,
        facts: RoomFacts,
        standing: Standing,
        periods: Sequence[Photoperiod],
        axis: Axis,
        heat_zone: str,
        now: datetime,
    ) -> DayPlan:
        """Return the plan of the day, worked out anew when the photoperiods are."""
        enclosure = standing.enclosure
        key = (enclosure.id, heat_zone, leading_quantity(standing))
        known = self._plans.get(key)
        if known is not None and known[0] is periods and known[1] == axis.start_ms:
            return known[2]
        plan = day_plan(enclosure, standing.targets, periods, axis, heat_zone, local_date(now, facts.zone))
        self._plans[key] = (periods, axis.start_ms, plan)
        return plan


def leading_quantity(standing: Standing) -> Quantity:
    """Return whether the strip's line is humidity: where the figure is, since that is where the trouble lies."""
    return "water" if standing.figure is not None and unit_of(standing.figure.unit) == HUMIDITY else "heat"


def lead_of(facts: RoomFacts, standing: Standing, quantity: Quantity) -> Lead | None:
    """Return the channel that a strip shows: the figure's own, else in the usual zones."""
    kinds = HEAT if quantity == "heat" else ("relative_humidity",)
    zones = HEAT_ZONES if quantity == "heat" else WATER_ZONES
    figure = standing.figure

    def order(value: ZoneValue) -> tuple[bool, int, int]:
        is_shown = figure is not None and (value.at_ms, value.value, value.unit) == (
            figure.at_ms, figure.value, figure.unit,
        )  # fmt: skip
        known = zones.index(value.zone) if value.zone in zones else len(zones)
        return not is_shown, known, kinds.index(value.quantity)

    candidates = [v for v in standing.values if v.quantity in kinds and v.zone not in _ANYWHERE]
    if not candidates:
        return None
    best = min(candidates, key=order)
    return Lead(facts.channel_by_key[best.channel], best.zone)


def day_plan(
    enclosure: EnclosureFact,
    targets: Mapping[str, Target],
    periods: Sequence[Photoperiod],
    axis: Axis,
    heat_zone: str,
    day: date,
) -> DayPlan:
    """Return what the local day of an enclosure should be.

    Parameters
    ----------
    enclosure : EnclosureFact
    targets : mapping of check id to Target
        In force now.
    periods : sequence of Photoperiod
        Those of yesterday and today.
    axis : Axis
        The local day `day`.
    heat_zone : str
        Zone of the leading temperature: each has its own targets.
    day : date
    """
    peak = targets.get("hot-spot-peak")
    misting = enclosure.misting_at(axis.end_ms - 1)
    return DayPlan(
        axis=axis,
        lit=lit_spans(periods, axis),
        lightless=all(period.basis == "none" for period in periods),
        heat=heat_bands(targets, periods, axis, heat_zone),
        water=water_bands(targets, periods, axis),
        ceiling=peak.high if peak and heat_zone == "basking" else math.inf,
        cycles=tuple(
            Cycle(instant_of(day, wall, axis.zone), seconds, "schedule")
            for wall, seconds in sorted(misting.cycles if misting else ())
        ),
    )


def heat_bands(
    targets: Mapping[str, Target],
    periods: Sequence[Photoperiod],
    axis: Axis,
    zone: str,
    *,
    with_night: bool = True,
) -> tuple[Band, ...]:
    """Return the temperature bands of a zone over an axis; `with_night` draws the ambient's too where it basks."""
    night = night_target(targets) if with_night else None
    if zone in {"basking", "warm-end"}:
        return bands(periods, axis, targets.get("hot-spot") if zone == "basking" else None, night)
    if zone in {"cool-end", "retreat"}:
        return bands(periods, axis, targets.get("cool-retreat"), None)
    if zone == "egg-chamber":
        incubation = targets.get("incubation")
        return bands(periods, axis, incubation, incubation)
    return bands(periods, axis, None, night) if zone in {"ambient", "canopy"} else ()


def water_bands(targets: Mapping[str, Target], periods: Sequence[Photoperiod], axis: Axis) -> tuple[Band, ...]:
    """Return the humidity bands over an axis."""
    return bands(periods, axis, targets.get("humidity-day"), targets.get("humidity-night"))


def tile_of(standing: Standing, strip: Markup, now_ms: int) -> TileView:
    """Return the texts of a tile."""
    enclosure, figure = standing.enclosure, standing.figure
    about, value, unit, target = "", "", "", ""
    if standing.state == "blind" or figure is None:
        value = _silence(standing, now_ms)
    else:
        unit = unit_of(figure.unit)
        about, value = figure.about, number(figure.value, unit)
        if figure.limit is not None and not is_of_the_probe(standing):
            target = f"limit {measured(figure.limit, unit)}"
        elif figure.target is not None:
            target = limits(figure.target.low, figure.target.high, unit)
    return TileView(
        key=enclosure.key,
        name=enclosure.name,
        place=place_of(enclosure),
        state=standing.state,
        word=standing.word,
        figure=value,
        unit=unit,
        about=about,
        target=target,
        sentence=standing.sentence,
        strip=strip,
    )


def is_of_the_probe(standing: Standing) -> bool:
    """Whether the worst alarm is about a probe: its limit is then none of the figure beside it."""
    return bool(standing.alarms) and standing.alarms[0].condition.startswith("probe-")


def place_of(enclosure: EnclosureFact) -> str:
    """Return where an enclosure stands, in words; empty where that is not known."""
    parts = [
        f"rack {enclosure.rack}" if enclosure.rack else "",
        f"level {enclosure.level}" if enclosure.level is not None else "",
        f"slot {enclosure.slot}" if enclosure.slot is not None else "",
    ]
    return ", ".join(part for part in parts if part)


def _silence(standing: Standing, now_ms: int) -> str:
    if standing.newest_at_ms is None:
        return "no readings"
    quiet = [value.at_ms for value in standing.values if not value.fresh] or [standing.newest_at_ms]
    return f"silent {span((now_ms - max(quiet)) / 1000).split(' ')[0]}"


def _label(lead: Lead | None, quantity: Quantity) -> str:
    what = "temperature" if quantity == "heat" else "humidity"
    return f"Today so far: {zone_name(lead.zone).lower()} {what}" if lead else f"Today so far: no {what} is measured"
