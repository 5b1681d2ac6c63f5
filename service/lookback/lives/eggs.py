"""How a clutch developed: degree-days since laying, day by day, and when hatching is to be expected, on what basis."""

import math
from dataclasses import dataclass, field
from datetime import date
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from sqlmodel import Session

from service.climate.day_cycle import local_day
from service.climate.incubation import EGG_TEMPERATURES, degree_days, hatch_window
from service.climate.ranges import DAY_MS
from service.climate.series import LEAST_COVERAGE, Series, cadence_of, cover
from service.lookback.bodies import Body, instant, number
from service.lookback.inputs import days_from
from service.lookback.lives.stays import Life, Stay, local_span
from service.lookback.words import counted, day_words, span_words
from service.model import Flag, from_ms
from service.store.clutches import ClutchFact, ClutchTerms
from service.store.facts import ChannelFact, RoomFacts
from service.store.history import corrected
from service.store.readings import read_readings
from service.store.traceability import errors_within

_UNFIT: Final = int(Flag.unfit())
_PACE_DAYS: Final = 7
"""The pace of the last so many days is expected to go on (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class EggDay:
    """A local day of a clutch, as far as it lay then.

    Attributes
    ----------
    day : date
    mean, low, high : float
        NaN where too little is known. [°C]
    gathered : float
        Degree-days of this day; NaN without a base, or where too little is known. [°C d]
    length : float
        How much of a day it lay. [d]
    coverage : float
        0 to 1.
    """

    day: date
    mean: float
    low: float
    high: float
    gathered: float
    length: float
    coverage: float


@dataclass(frozen=True, slots=True)
class Development:
    """What is known of a clutch's development.

    Attributes
    ----------
    days : tuple of EggDay
    total : float
        Degree-days since laying; NaN where too little is known. [°C d]
    uncertainty : float
        Of the total, expanded: what the probe may be off by, over all days. [°C d]
    a_day : float
        The pace of the last days. [°C d per day]
    window : (date, date) or None
        When hatching is to be expected.
    channels : tuple of str
    """

    days: tuple[EggDay, ...]
    total: float
    uncertainty: float
    a_day: float
    window: tuple[date, date] | None
    channels: tuple[str, ...] = field(default=())


def development_of(session: Session, facts: RoomFacts, life: Life, clutch: ClutchFact, now_ms: int) -> Development:
    """Return how a clutch developed until it hatched or failed, or until now.

    Parameters
    ----------
    session : Session
        Of `Store.read`.
    facts : RoomFacts
    life : Life
        Of that clutch.
    clutch : ClutchFact
    now_ms : int
        [ms, UTC]

    References
    ----------
    .. [1] Baskerville & Emin, Ecology 50 (1969) 514-517: degree-days as the area above a base.
    """
    end = min(now_ms, now_ms if clutch.ended_ms is None else clutch.ended_ms)
    days: list[EggDay] = []
    channels: dict[str, None] = {}
    unsure = 0.0
    for stay in life.within(clutch.laid_ms, end):
        channel = _thermometer(facts, stay)
        series = None if channel is None else _series(session, channel, stay)
        if channel is not None:
            channels[channel.key] = None
            known = errors_within(channel, stay.start_ms, stay.end_ms).uncertainty
            unsure += known * (stay.end_ms - stay.start_ms) / DAY_MS
        days += _days(series, stay, clutch.terms, facts.zone)
    total, pace = _total(days), _pace(days)
    window = None if clutch.ended_ms is not None else _window(clutch.terms, total, pace, end, facts.zone)
    return Development(tuple(days), total, unsure if math.isfinite(total) else math.nan, pace, window, tuple(channels))


def _total(days: list[EggDay]) -> float:
    """Return the degree-days of all days; unknown ones count at the mean rate of the others while those are most."""
    known = [day for day in days if math.isfinite(day.gathered)]
    length, whole = (math.fsum(day.length for day in some) for some in (known, days))
    if not length or length < LEAST_COVERAGE * whole:
        return math.nan
    return math.fsum(day.gathered for day in known) / length * whole


def _thermometer(facts: RoomFacts, stay: Stay) -> ChannelFact | None:
    """Return the channel that measured where the eggs lay: of several the one that stood there longest."""
    best: tuple[int, int, str] | None = None
    chosen: ChannelFact | None = None
    for placed in stay.enclosure.placements:
        channel = facts.channels[placed.channel_id]
        length = min(placed.end_ms, stay.end_ms) - max(placed.start_ms, stay.start_ms)
        if placed.zone != stay.zone or channel.quantity not in EGG_TEMPERATURES or length <= 0:
            continue
        rank = (length, -EGG_TEMPERATURES.index(channel.quantity), channel.key)
        if best is None or rank > best:
            best, chosen = rank, channel
    return chosen


def _series(session: Session, channel: ChannelFact, stay: Stay) -> Series:
    stored = corrected(channel, read_readings(session, channel.id, stay.start_ms, stay.end_ms))
    value = np.where((stored.flags & np.int16(_UNFIT)) != 0, np.nan, stored.value)
    return Series(stored.at, value, channel.declared_cadence_ms or cadence_of(stored.at))


def _days(series: Series | None, stay: Stay, terms: ClutchTerms, zone: ZoneInfo) -> list[EggDay]:
    span = local_span(stay.start_ms, stay.end_ms, zone)
    return [_day(series, stay, terms.base, day, zone) for day in days_from(span.first, span.last)]


def _day(series: Series | None, stay: Stay, base: float | None, day: date, zone: ZoneInfo) -> EggDay:
    start, end = local_day(day, zone)
    start, end = max(start, stay.start_ms), min(end, stay.end_ms)
    length = (end - start) / DAY_MS
    if series is None:
        return EggDay(day, math.nan, math.nan, math.nan, math.nan, length, 0.0)
    known = cover(series, ((start, end),))
    if known.coverage < LEAST_COVERAGE:
        return EggDay(day, math.nan, math.nan, math.nan, math.nan, length, known.coverage)
    gathered = math.nan if base is None else degree_days(series, base, ((start, end),))
    mean = float(known.value @ known.weight / known.covered_ms)
    return EggDay(day, mean, float(known.value.min()), float(known.value.max()), gathered, length, known.coverage)


def _pace(days: list[EggDay]) -> float:
    recent = [day for day in days if math.isfinite(day.gathered)][-_PACE_DAYS:]
    length = math.fsum(day.length for day in recent)
    return math.fsum(day.gathered for day in recent) / length if length else math.nan


def _window(terms: ClutchTerms, total: float, a_day: float, end_ms: int, zone: ZoneInfo) -> tuple[date, date] | None:
    needed = _needed(terms)
    return None if needed is None else hatch_window(end_ms, total, a_day, *needed, zone)


def _needed(terms: ClutchTerms) -> tuple[float, float] | None:
    """Return from how many degree-days to how many are needed; one given end stands for both."""
    ends = [end for end in (terms.needed_low, terms.needed_high) if end is not None]
    return (ends[0], ends[-1]) if ends else None


def eggs_body(clutch: ClutchFact, found: Development, zone: ZoneInfo, now_ms: int) -> Body:
    """Return a clutch's development as JSON values, with its sentences."""
    terms = clutch.terms
    return {
        "sentences": _sentences(clutch, found, zone, now_ms),
        "eggs": {
            "laid": instant(clutch.laid_ms),
            "ended": None if clutch.ended_ms is None else instant(clutch.ended_ms),
            "outcome": clutch.outcome,
            "hatched": clutch.hatched,
            "base": terms.base,
            "needed_low": terms.needed_low,
            "needed_high": terms.needed_high,
            "basis": terms.basis,
            "degree_days": number(found.total),
            "uncertainty": number(found.uncertainty),
            "a_day": number(found.a_day),
            "hatch_from": None if found.window is None else found.window[0].isoformat(),
            "hatch_until": None if found.window is None else found.window[1].isoformat(),
            "channels": list(found.channels),
            "days": [
                {
                    "date": day.day.isoformat(),
                    "mean": number(day.mean),
                    "low": number(day.low),
                    "high": number(day.high),
                    "degree_days": number(day.gathered),
                    "coverage": number(day.coverage),
                }
                for day in found.days
            ],
        },
    }


def _sentences(clutch: ClutchFact, found: Development, zone: ZoneInfo, now_ms: int) -> list[str]:
    laid = from_ms(clutch.laid_ms).astimezone(zone).date()
    lain = ((clutch.ended_ms or now_ms) - clutch.laid_ms) / DAY_MS
    eggs = counted(clutch.terms.eggs, "egg")
    said = [f"{eggs} laid on {day_words(laid)} {laid.year}, {counted(round(lain), 'day')} ago."]
    if clutch.ended_ms is not None:
        ended = from_ms(clutch.ended_ms).astimezone(zone).date()
        number_of = "" if clutch.hatched is None else f": {clutch.hatched} of {clutch.terms.eggs}"
        when = f"{clutch.outcome} on {day_words(ended)} {ended.year}, after {counted(round(lain), 'day')}"
        said = [f"{eggs} laid on {day_words(laid)} {laid.year}; {when}{number_of}."]
    known = [day for day in found.days if math.isfinite(day.mean)]
    if not known:
        return [*said, "Its temperature is not known: no probe measured it where it lay. Place a thermometer there."]
    lengths = np.array([day.length for day in known])
    mean = float(np.array([day.mean for day in known]) @ lengths / lengths.sum())
    low, high = min(day.low for day in known), max(day.high for day in known)
    said.append(f"Where it lay it was {mean:.1f} °C at the mean, {low:.1f} to {high:.1f} °C.")
    return [*said, *_degree_days(clutch.terms, found, len(found.days) - len(known))]


def _degree_days(terms: ClutchTerms, found: Development, unknown: int) -> list[str]:
    if terms.base is None:
        return ["No base temperature was entered, so degree-days are not counted: correct the clutch to give one."]
    if not math.isfinite(found.total):
        said = "Degree-days cannot be summed"
        return [f"{said}: too little is known of {counted(unknown, 'day')}."]
    gathered = f"{found.total:.0f} ± {found.uncertainty:.0f} degree-days above {terms.base:g} °C since laying"
    said = [f"{gathered}, {found.a_day:.1f} a day of late."]
    if unknown:
        said.append(f"{counted(unknown, 'day')} of which too little is known counted as the others did.")
    if found.window is None:
        return said
    basis = f" ({terms.basis})" if terms.basis else " (as entered, without a source)"
    low, high = _needed(terms) or (math.nan, math.nan)
    needed = f"{low:g}" if low == high else f"{low:g} to {high:g}"
    said.append(
        f"Hatching is to be expected {span_words(*found.window)}: {needed} degree-days are needed{basis}, and the pace "
        f"of the last {_PACE_DAYS} days is taken to go on."
    )
    return said
