"""Two enclosures over one span, or one enclosure against its own past: what differs most."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

import numpy as np

from service.climate.ranges import DAY_MS, Floats
from service.lookback.bodies import Body
from service.lookback.days import assessed_days
from service.lookback.forms.channel_days import ChannelDays, channel_days
from service.lookback.lives.compared import check_days, compare, value_words
from service.lookback.lives.robust import TOLD_SPREADS, Middle, is_apart, middle_of
from service.lookback.lives.stays import Stay, local_span
from service.lookback.words import at_zone, check_name, zone_words
from service.store.engine import Store
from service.store.facts import RoomFacts

_STATISTICS: Final = (("highest of a day", "high"), ("median of a day", "median"), ("lowest of a day", "low"))
_UNITS: Final = {"relative_humidity": "%RH", "soil_moisture": "%"}
_LEAST: Final = {"°C": 0.1, "%RH": 1.0, "%": 1.0}
"""Differences are counted in no smaller pieces than these (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One figure of both sides.

    Attributes
    ----------
    what : str
    first, second : Middle
        Over the days. [unit]
    unit : str
    uncertainty : float
        Of the difference, expanded. [unit]
    apart : bool
        Whether spread and measurement explain it.
    weight : float
        The difference in pieces of what would explain it: by this it is ranked.
    largest : (float, int) or None
        The largest difference of one day, and which day of the spans that was, from 1. [unit]
    """

    what: str
    first: Middle
    second: Middle
    unit: str
    uncertainty: float
    apart: bool
    weight: float
    largest: tuple[float, int] | None = None

    @property
    def said(self) -> tuple[str, str, str]:
        """Both medians and their difference in words."""
        difference = self.first.median - self.second.median
        sign = "+" if difference > 0 else ""
        return (
            value_words(self.first.median, self.unit), value_words(self.second.median, self.unit),
            f"{sign}{value_words(difference, self.unit)}".replace("-", "−"),
        )  # fmt: skip

    @property
    def largest_said(self) -> str:
        """The largest difference of one day in words."""
        if self.largest is None:
            return "–"
        difference, day = self.largest
        sign = "+" if difference > 0 else ""
        return f"{sign}{value_words(difference, self.unit)}, day {day}".replace("-", "−")


@dataclass(frozen=True, eq=False)
class Pair:
    """A channel's zone and quantity on both sides, day by day from the start of each."""

    what: str
    unit: str
    first: tuple[ChannelDays, ...]
    second: tuple[ChannelDays, ...]


@dataclass(frozen=True, eq=False)
class SideBySide:
    """Two stays compared: differences, the largest first, and what is drawn."""

    differences: tuple[Difference, ...]
    pairs: tuple[Pair, ...]
    only_first: tuple[str, ...]
    only_second: tuple[str, ...]


def side_by_side(store: Store, facts: RoomFacts, first: Stay, second: Stay, now_ms: int) -> SideBySide:
    """Compare two stays.

    Parameters
    ----------
    store : Store
    facts : RoomFacts
    first, second : Stay
        Of two enclosures over one span, or of one over two.
    now_ms : int
        [ms since 1970, UTC]
    """
    with store.read() as session:
        both = [_by_place(channel_days(session, facts, [stay])) for stay in (first, second)]
    shared = [key for key in both[0] if key in both[1]]
    pairs = tuple(
        Pair(_place_words(*key), _UNITS.get(key[0], "°C"), tuple(both[0][key]), tuple(both[1][key])) for key in shared
    )
    starts = (_first_day(first, facts), _first_day(second, facts))
    found = [d for pair in pairs for d in _differences(pair, starts)]
    found += _checks(*(_days(store, facts, stay, now_ms) for stay in (first, second)))
    apart = [tuple(_place_words(*key) for key in mine if key not in theirs) for mine, theirs in (both, both[::-1])]
    ranked = sorted(found, key=lambda one: (-one.weight, one.what))
    return SideBySide(tuple(ranked), pairs, apart[0], apart[1])


def _first_day(stay: Stay, facts: RoomFacts) -> date:
    return local_span(stay.start_ms, stay.end_ms, facts.zone).first


def _days(store: Store, facts: RoomFacts, stay: Stay, now_ms: int) -> list[Body]:
    span = local_span(stay.start_ms, stay.end_ms, facts.zone)
    assessed = assessed_days(store, facts, stay.enclosure, span.first, span.last, now_ms)
    return [day.body["day"] for day in assessed.days]


def _by_place(days: Iterable[ChannelDays]) -> dict[tuple[str, str], list[ChannelDays]]:
    found: dict[tuple[str, str], list[ChannelDays]] = {}
    for one in days:
        found.setdefault((one.channel.quantity, one.zone), []).append(one)
    return found


def _place_words(quantity: str, zone: str) -> str:
    return f"{quantity.replace('_', ' ')} {at_zone(zone)}" if zone != "basking" else f"{zone_words(zone)}"


def _differences(pair: Pair, starts: tuple[date, date]) -> list[Difference]:
    found = []
    unsure = math.hypot(*(max(c.uncertainty for c in side) for side in (pair.first, pair.second)))
    for words, name in _STATISTICS:
        mine, theirs = (middle_of(_joined(side, name)) for side in (pair.first, pair.second))
        plain = _difference(f"{pair.what}, {words}", mine, theirs, pair.unit, unsure)
        largest = _largest(pair, name, starts)
        if largest is None:
            found.append(plain)
            continue
        piece = max(unsure, theirs.spread, _LEAST.get(pair.unit, 1e-9))
        apart = plain.apart or abs(largest[0]) > max(unsure, TOLD_SPREADS * theirs.spread)
        found.append(replace(plain, largest=largest, apart=apart, weight=max(plain.weight, abs(largest[0]) / piece)))
    return found


def _largest(pair: Pair, name: str, starts: tuple[date, date]) -> tuple[float, int] | None:
    """Return the largest difference of a day that both sides have, and the number of that day."""
    mine, theirs = (
        {
            (day - start).days + 1: float(value)
            for one in side
            for day, value in zip(one.days, getattr(one, name), strict=True)
        }
        for start, side in ((starts[0], pair.first), (starts[1], pair.second))
    )
    shared = [(mine[day] - theirs[day], day) for day in mine if day in theirs]
    return max(shared, key=lambda found: abs(found[0])) if shared else None


def _joined(side: Sequence[ChannelDays], name: str) -> Floats:
    return np.concatenate([getattr(one, name) for one in side])


def _difference(what: str, mine: Middle, theirs: Middle, unit: str, unsure: float) -> Difference:
    piece = max(unsure, theirs.spread, _LEAST.get(unit, 1e-9))
    weight = abs(mine.median - theirs.median) / piece
    text = f"{what[0].upper()}{what[1:]}"
    return Difference(text, mine, theirs, unit, unsure, is_apart(mine, theirs, unsure), weight)


def _checks(first: Sequence[Body], second: Sequence[Body]) -> list[Difference]:
    """Return the checks of both sides; a share of time is ranked by tenths."""
    mine, theirs = check_days(first), check_days(second)
    found = []
    for row in compare(mine, theirs):
        one, other = mine[row["check"]], theirs[row["check"]]
        unsure = math.hypot(one.uncertainty, other.uncertainty)
        difference = _difference(check_name(row["check"]), one.middle, other.middle, one.unit, max(unsure, 0.1))
        found.append(difference)
    return found


def shifted_back(stay: Stay, days: int) -> Stay:
    """Return the same enclosure so many days before."""
    return Stay(stay.enclosure, stay.start_ms - days * DAY_MS, stay.end_ms - days * DAY_MS)
