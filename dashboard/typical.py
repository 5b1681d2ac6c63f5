"""The typical day of each zone and quantity: this week hour by hour, over what the three months before it were like."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np
from markupsafe import Markup
from sqlmodel import Session

from dashboard.day import Band, day_axis, lit_spans
from dashboard.figures.typical import Pattern, draw_pattern
from dashboard.hourly import HOURS, HourlyMedians
from dashboard.tiles import WARMTH, heat_bands, water_bands
from dashboard.words import DEGREE, measured, number, quantity_name, unit_of, zone_name
from service.api.rhythms import Rhythms
from service.api.zone_values import unit_of as senml_unit_of
from service.climate.day_cycle import Photoperiod
from service.climate.ranges import DAY_MS, HOUR_MS, MINUTE_MS, Floats
from service.climate.targets import Target
from service.model import from_ms, to_ms
from service.store.facts import EnclosureFact, PlacementFact, RoomFacts
from service.store.history import placements_in
from service.store.traceability import errors_within

DAYS: Final = 91
WEEK_DAYS: Final = 7
LEAST_OF_WEEK: Final = 3
"""So many days of the week must know an hour (common practice, no source)."""
LEAST_BEFORE: Final = 7
"""So many days before the week must know an hour for its fan (common practice, no source)."""
_FAN: Final = (10, 90)
_QUANTITIES: Final = (
    "surface_temperature", "relative_humidity", "air_temperature", "substrate_temperature", "soil_moisture", "uv_index",
    "illuminance",
)  # fmt: skip
_ZONES: Final = ("basking", "ambient", "canopy", "warm-end", "cool-end", "retreat", "substrate", "egg-chamber")


@dataclass(frozen=True, slots=True)
class HourRow:
    """An hour in the table twin."""

    hour: str
    week: str
    usual: str
    differs: str


@dataclass(frozen=True, slots=True)
class Panel:
    """A zone's quantity, ready to be shown.

    Attributes
    ----------
    name, sentence : str
    picture : Markup
        SVG.
    rows : tuple of HourRow
    differs : bool
        Whether any hour of the week lies outside its fan.
    """

    name: str
    sentence: str
    picture: Markup
    rows: tuple[HourRow, ...]
    differs: bool


@dataclass(frozen=True, eq=False)
class Hours:
    """The week and the days before it by local hour.

    Attributes
    ----------
    week, low, high : ndarray of float64, shape (24,)
        Medians of the week and the fan's edges, NaN where not known. [unit]
    days_before : int
        How many days before the week are known at all.
    repeat_uncertainty : float
        U of a difference that one channel took at two times, k = 2. [unit]
    """

    week: Floats
    low: Floats
    high: Floats
    days_before: int
    repeat_uncertainty: float = 0.0

    def beyond(self, unit: str) -> Floats:
        """Return how far each hour of the week lies outside its fan, 0 within, NaN where not known.

        A difference that the probe cannot tell, or that would be shown as none, is none.
        """
        low, high = (np.nan_to_num(edge, nan=0.0) for edge in (self.low, self.high))
        gone = np.where(self.week > high, self.week - high, np.minimum(self.week - low, 0.0))
        gone = np.where(np.isnan(self.low) | np.isnan(self.week), np.nan, gone)
        least = max(self.repeat_uncertainty, 0.05 if unit in {DEGREE, "UV index"} else 0.5)
        return np.where(np.abs(gone) < least, 0.0, gone)


def hours_of(medians: Floats, repeat_uncertainty: float = 0.0) -> Hours:
    """Return the week and the fan of hourly medians.

    Parameters
    ----------
    medians : ndarray of float64, shape (days, 24)
        The last seven are this week's. [unit]
    repeat_uncertainty : float
        As in `Hours`. [unit]
    """
    week, before = medians[-WEEK_DAYS:], medians[:-WEEK_DAYS]
    fan = _percentiles(before, _FAN, LEAST_BEFORE)
    days_before = int(np.count_nonzero(~np.isnan(before).all(axis=1))) if len(before) else 0
    return Hours(_percentiles(week, (50,), LEAST_OF_WEEK)[0], fan[0], fan[1], days_before, repeat_uncertainty)


def _percentiles(values: Floats, percents: Sequence[float], least: int) -> Floats:
    """Return percentiles of each column that knows at least so many values, shape (percents, 24)."""
    found = np.full((len(percents), HOURS), np.nan)
    known = np.count_nonzero(~np.isnan(values), axis=0) >= least if len(values) else np.zeros(HOURS, dtype=np.bool_)
    if known.any():
        found[:, known] = np.nanpercentile(values[:, known], percents, axis=0)
    return found


def typical_panels(
    session: Session, facts: RoomFacts, enclosure: EnclosureFact, hourly: HourlyMedians, rhythms: Rhythms, now: datetime
) -> tuple[Panel, ...]:
    """Return the panels of an enclosure, basking temperature and humidity first.

    Parameters
    ----------
    session : Session
        Of `Store.read`.
    facts, enclosure : RoomFacts, EnclosureFact
    hourly : HourlyMedians
    rhythms : Rhythms
    now : datetime
        Aware.
    """
    today = now.astimezone(facts.zone).date()
    days = [today - timedelta(n) for n in reversed(range(DAYS))]
    periods = rhythms.photoperiods(session, facts, enclosure, now)
    targets = rhythms.targets(facts, enclosure, to_ms(now))
    panels: list[Panel] = []
    for (zone, quantity), placements in _measured(facts, enclosure, days).items():
        medians = _combined(session, facts, hourly, placements, days)
        if not np.isnan(medians).all():
            hours = hours_of(medians, _repeat_uncertainty(facts, placements, to_ms(now)))
            panels.append(_panel(zone, quantity, hours, _Today(facts, periods, targets, today)))
    return tuple(panels)


def _measured(
    facts: RoomFacts, enclosure: EnclosureFact, days: Sequence[date]
) -> dict[tuple[str, str], list[PlacementFact]]:
    """Return the placements of the last months by zone and quantity, in the order in which they are shown."""
    start, end = (day_axis(day, facts.zone) for day in (days[0], days[-1]))
    found: dict[tuple[str, str], list[PlacementFact]] = {}
    for placed in placements_in(facts, enclosure, start.start_ms, end.end_ms):
        quantity = facts.channels[placed.channel_id].quantity
        if quantity in _QUANTITIES and placed.zone in _ZONES:
            found.setdefault((placed.zone, quantity), []).append(placed)
    return dict(sorted(found.items(), key=lambda item: _rank(*item[0])))


def _rank(zone: str, quantity: str) -> tuple[int, int, int]:
    """Return the place of a panel: the basking spot's temperature, humidity, and then by zone."""
    first = 0 if zone == "basking" and quantity.endswith("_temperature") else 1 if "humidity" in quantity else 2
    return first, _ZONES.index(zone), _QUANTITIES.index(quantity)


def _combined(
    session: Session,
    facts: RoomFacts,
    hourly: HourlyMedians,
    placements: Iterable[PlacementFact],
    days: Sequence[date],
) -> Floats:
    """Return the medians of a zone: of the probe that came last where several know an hour, shape (days, 24)."""
    medians = np.full((len(days), HOURS), np.nan)
    for placed in sorted(placements, key=lambda p: -p.start_ms):
        channel = facts.channels[placed.channel_id]
        found = hourly.of(session, facts.version, channel, placed, days, facts.zone)
        medians = np.where(np.isnan(medians), found, medians)
    return medians


def _repeat_uncertainty(facts: RoomFacts, placements: Iterable[PlacementFact], now_ms: int) -> float:
    """Return what the probes there can tell of a change [unit]; of a model that is not known, nothing is known."""
    errors = [errors_within(facts.channels[p.channel_id], max(p.start_ms, now_ms - DAY_MS), now_ms) for p in placements]
    known = [one.repeat_uncertainty for one in errors if np.isfinite(one.repeat_uncertainty)]
    return max(known, default=0.0)


@dataclass(frozen=True, slots=True)
class _Today:
    """What the day is meant to be: drawn behind the hours."""

    facts: RoomFacts
    periods: Sequence[Photoperiod]
    targets: Mapping[str, Target]
    day: date

    def lit(self) -> list[tuple[float, float]]:
        """Return the lit spans in local hours."""
        axis = day_axis(self.day, self.facts.zone)
        return [(self._hour(start), self._hour(end, end=True)) for start, end in lit_spans(self.periods, axis)]

    def bands(self, zone: str, quantity: str) -> list[tuple[float, float, float, float]]:
        """Return the targets of a zone's quantity as (from, to, low, high), the first two in local hours."""
        axis = day_axis(self.day, self.facts.zone)
        found: tuple[Band, ...] = ()
        if quantity == "relative_humidity":
            found = water_bands(self.targets, self.periods, axis)
        elif quantity.endswith("_temperature"):
            with_night = zone not in {"basking", "warm-end"}
            found = heat_bands(self.targets, self.periods, axis, zone, with_night=with_night)
        return [(self._hour(b.start_ms), self._hour(b.end_ms, end=True), b.low, b.high) for b in found]

    def _hour(self, at_ms: int, *, end: bool = False) -> float:
        local = from_ms(at_ms).astimezone(self.facts.zone)
        hour = (local.hour * HOUR_MS + local.minute * MINUTE_MS) / HOUR_MS
        return float(HOURS) if end and hour == 0 else hour


def _panel(zone: str, quantity: str, hours: Hours, today: _Today) -> Panel:
    unit = unit_of(senml_unit_of(quantity))
    name = f"{zone_name(zone)}: {quantity_name(quantity).lower()}"
    beyond = hours.beyond(unit)
    sentence = _sentence(hours, beyond, unit)
    warmth = "water" if quantity in {"relative_humidity", "soil_moisture"} else WARMTH.get(zone, "middle")
    picture = draw_pattern(
        Pattern(
            week=hours.week, low=hours.low, high=hours.high, beyond=beyond, lit=today.lit(),
            bands=today.bands(zone, quantity), unit=unit, family=warmth,
            label=f"{name} by the hour. {sentence} The table below has the numbers.",
        )
    )  # fmt: skip
    rows = tuple(_row(hour, hours, beyond, unit) for hour in range(HOURS))
    return Panel(name, sentence, picture, rows, differs=bool(np.any(np.nan_to_num(beyond) != 0)))


def _sentence(hours: Hours, beyond: Floats, unit: str) -> str:
    """Return what the picture says: how this week differs from what is usual, and where most."""
    if np.isnan(hours.week).all():
        return f"This week is not known yet: {LEAST_OF_WEEK} days of it are needed."
    if np.isnan(hours.low).all():
        known = f"{LEAST_BEFORE} days before this week are needed, {hours.days_before} are known"
        return f"Nothing to compare with yet: {known}."
    outside = np.flatnonzero(np.nan_to_num(beyond) != 0)
    if not outside.size:
        return "This week is like the months before, at every hour."
    most = int(outside[np.argmax(np.abs(beyond[outside]))])
    higher, lower = (int(np.count_nonzero(np.sign(beyond[outside]) == sign)) for sign in (1, -1))
    parts = [f"{word} than usual in {n} h" for word, n in (("higher", higher), ("lower", lower)) if n]
    said = ", ".join(parts)
    return f"{said[0].upper()}{said[1:]}; most at {most:02d}:00, by {measured(abs(float(beyond[most])), unit)}."


def _row(hour: int, hours: Hours, beyond: Floats, unit: str) -> HourRow:
    low, high, gone = float(hours.low[hour]), float(hours.high[hour]), float(beyond[hour])
    known = not np.isnan(low)
    return HourRow(
        hour=f"{hour:02d}:00",
        week=measured(float(hours.week[hour]), unit) if not np.isnan(hours.week[hour]) else "no data",
        usual=f"{number(low, unit)} to {measured(high, unit)}" if known else "no data",
        differs=""
        if np.isnan(gone) or gone == 0
        else f"{measured(abs(gone), unit)} {'above' if gone > 0 else 'below'}",
    )
