"""The newest value of each quantity in each zone, and what it is held against at this time of day."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from sqlmodel import Session

from sensors.catalogue import Figures, expanded_uncertainty
from sensors.quantities import QUANTITIES
from service.api.rhythms import PartOfDay, Rhythms
from service.climate.day_view import AMBIENT, BASKING, SURFACE_FIRST, TEMPERATURES
from service.climate.ranges import MINUTE_MS
from service.climate.targets import Target
from service.model import Flag
from service.store.facts import ChannelFact, EnclosureFact, RoomFacts
from service.store.history import corrected_value
from service.store.readings import Newest
from service.store.traceability import element_of, errors_within

SILENT_CADENCES: Final = 3
SILENT_FLOOR_MS: Final = 10 * MINUTE_MS
HUMIDITY_ZONES: Final = (*AMBIENT, "canopy", "basking", "retreat")
"""Air humidity is judged in the first of these zones that measures it."""
COOL_ZONES: Final = ("cool-end", "retreat")
HUMIDITY: Final = ("relative_humidity",)
_NOT_CLIMATE: Final = frozenset({"battery", "signal", "power", "switch"})


@dataclass(frozen=True, slots=True)
class Band:
    """What a value is held against now.

    Attributes
    ----------
    check : str
        The check that asks for it.
    low, high : float or None
        Both allowed; None where open. [the value's unit]
    source : str
        Where the limits stand.
    """

    check: str
    low: float | None
    high: float | None
    source: str

    def passed(self, value: float, uncertainty: float) -> tuple[float, float] | None:
        """Return the end that the value has passed for certain, and by how much; None when it has not."""
        if self.low is not None and value < self.low - uncertainty:
            return self.low, self.low - value
        if self.high is not None and value > self.high + uncertainty:
            return self.high, value - self.high
        return None


@dataclass(frozen=True, slots=True)
class ZoneValue:
    """The newest reading of a quantity in a zone, corrected by calibration.

    Attributes
    ----------
    zone, quantity, channel : str
        `channel` is its key.
    at_ms : int
        [ms, UTC]
    value : float
        [unit]
    unit : str
        SenML unit name.
    flags : int
        See `service.model.Flag`.
    uncertainty : float
        Expanded, k = 2. [unit]
    fresh : bool
        Not older than three cadences or 10 min, and fit to be judged.
    target : Band or None
        What it is held against at this time of day.
    in_spike : bool
        Humidity above its band shortly after a misting cycle.
    """

    zone: str
    quantity: str
    channel: str
    at_ms: int
    value: float
    unit: str
    flags: int
    uncertainty: float
    fresh: bool
    target: Band | None
    in_spike: bool = False

    @property
    def passed(self) -> tuple[float, float] | None:
        """The end of its target that a fresh value has passed, and by how much."""
        if not self.fresh or self.target is None or self.in_spike:
            return None
        return self.target.passed(self.value, self.uncertainty)

    @property
    def is_climate(self) -> bool:
        """Whether it says something of the climate, not of the probe or of equipment."""
        return self.quantity not in _NOT_CLIMATE


def unit_of(quantity: str) -> str:
    """Return the SenML unit name of a quantity; empty for one that is not known."""
    known = QUANTITIES.get(quantity)
    return known.unit if known else ""


def uncertainty_at(channel: ChannelFact, at_ms: int) -> float:
    """Return a channel's expanded uncertainty, k = 2: its model's, or its calibration's widened for drift since."""
    if channel.calibrations:
        return errors_within(channel, at_ms, at_ms + 1).uncertainty
    return _uncalibrated(channel.model, channel.quantity, channel.figures)


@lru_cache(maxsize=1024)
def _uncalibrated(model: str, quantity: str, figures: Figures | None) -> float:
    return expanded_uncertainty(element_of(model, quantity, figures))


def values_now(
    session: Session,
    facts: RoomFacts,
    enclosure: EnclosureFact,
    newest: Mapping[int, Newest],
    rhythms: Rhythms,
    now_ms: int,
) -> list[ZoneValue]:
    """Return one value for each zone and quantity: of several channels a fresh one, with the least uncertainty."""
    best: dict[tuple[str, str], ZoneValue] = {}
    for placement in enclosure.placements:
        channel, row = facts.channels[placement.channel_id], newest.get(placement.channel_id)
        # A reading from before the move was taken somewhere else.
        if row is None or not placement.holds_at(now_ms) or not placement.holds_at(row.at_ms):
            continue
        value = _value(channel, placement.zone, row, rhythms.cadence_ms(session, channel, now_ms), now_ms)
        key = (value.zone, value.quantity)
        if key not in best or _preference(value) < _preference(best[key]):
            best[key] = value
    return [best[key] for key in sorted(best)]


def _value(channel: ChannelFact, zone: str, row: Newest, cadence_ms: int, now_ms: int) -> ZoneValue:
    silent_after = max(SILENT_CADENCES * cadence_ms, SILENT_FLOOR_MS)
    return ZoneValue(
        zone=zone,
        quantity=channel.quantity,
        channel=channel.key,
        at_ms=row.at_ms,
        value=corrected_value(channel, row.at_ms, row.value),
        unit=unit_of(channel.quantity),
        flags=row.flags,
        uncertainty=uncertainty_at(channel, row.at_ms),
        fresh=now_ms - row.at_ms <= silent_after and not row.flags & int(Flag.unfit()),
        target=None,
    )


def _preference(value: ZoneValue) -> tuple[bool, float, str]:
    return not value.fresh, value.uncertainty, value.channel


def first_of(values: Iterable[ZoneValue], zones: Sequence[str], quantities: Sequence[str]) -> ZoneValue | None:
    """Return the value in the first zone that measures one of the quantities: of these the first that is fresh."""
    known = {(value.zone, value.quantity): value for value in values}
    for zone in zones:
        present = [known[zone, quantity] for quantity in quantities if (zone, quantity) in known]
        if present:
            return next((value for value in present if value.fresh), present[0])
    return None


def bands_now(
    values: Sequence[ZoneValue], targets: Mapping[str, Target], part: PartOfDay
) -> dict[tuple[str, str], Band]:
    """Return what each zone and quantity is held against in that part of the day."""
    wanted: list[tuple[ZoneValue | None, tuple[str, ...]]] = []
    basking = first_of(values, BASKING, SURFACE_FIRST)
    if part == "day":
        wanted.append((basking, ("hot-spot", "hot-spot-peak")))
        wanted.append((first_of(values, COOL_ZONES, TEMPERATURES), ("cool-retreat",)))
        wanted.append((first_of(values, HUMIDITY_ZONES, HUMIDITY), ("humidity-day",)))
    else:
        wanted.append((basking, ("hot-spot-peak",)))
    if part == "night":
        wanted.append((first_of(values, AMBIENT, TEMPERATURES), ("night-floor", "night-ceiling")))
        wanted.append((first_of(values, HUMIDITY_ZONES, HUMIDITY), ("humidity-night",)))
    bands = {(v.zone, v.quantity): _band(targets, checks) for v, checks in wanted if v is not None}
    return {place: band for place, band in bands.items() if band is not None}


def _band(targets: Mapping[str, Target], checks: Sequence[str]) -> Band | None:
    """Return one band of the checks that are asked for: the first that states an end has its word."""
    asked = [(check, targets[check]) for check in checks if check in targets]
    low = next((t.low for _, t in asked if math.isfinite(t.low)), None)
    high = next((t.high for _, t in asked if math.isfinite(t.high)), None)
    if low is None and high is None:
        return None
    return Band(asked[0][0], low, high, asked[0][1].source)
