"""Can the probes of an enclosure be believed? Looked at each hour, and at the end of the dark."""

import math
from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import Final

import numpy as np

from service.climate.cycle_health import CLIMATE_QUANTITIES, HEALTH_LOOKS_BACK_MS
from service.climate.probe_health import (
    DISAGREEING_NIGHTS,
    EARLIER_NIGHTS,
    SATURATED_FROM,
    Sibling,
    battery_is_low,
    calibration_is_due,
    disagrees,
    drifted_apart,
    end_of_dark_difference,
    impossible_readings,
    is_saturated,
    is_stuck,
)
from service.climate.uncertainty import quadrature
from service.model import Flag
from service.store.measured import Measured, part_of
from service.store.traceability import element_of
from service.watch.conditions import (
    BATTERY_LOW,
    CALIBRATION_DUE,
    PROBE_DISAGREES,
    PROBE_IMPOSSIBLE,
    PROBE_SATURATED,
    PROBE_STUCK,
    Condition,
)
from service.watch.findings import Finding

LOOKS_BACK_MS: Final = HEALTH_LOOKS_BACK_MS
_HOUR_MS: Final = 3_600_000
_AIR_ZONES: Final = ("basking", "warm-end", "cool-end", "canopy", "ambient")
_COMPARED: Final = ("air_temperature", "relative_humidity")

Differences = dict[str, list[float]]
"""By pair of channels: their difference at the end of the last darks. [unit]"""


def look_at_probes(measured: Sequence[Measured], now_ms: int) -> Iterator[Finding]:
    """Yield what is known of each probe's health at a full hour."""
    parts = [part_of(m, now_ms - LOOKS_BACK_MS, now_ms + 1) for m in measured]
    for part in parts:
        series, channel = part.channel.series, part.channel
        if channel.quantity == "battery":
            low = battery_is_low(percent=float(series.value[-1])) if series.at.size else None
            yield _found(BATTERY_LOW, part, low, now_ms)
        if channel.quantity not in CLIMATE_QUANTITIES:
            continue
        yield _found(PROBE_IMPOSSIBLE, part, _is_impossible(part, now_ms), now_ms)
        siblings = [
            Sibling(other.channel.series, other.channel.resolution)
            for other in parts
            if other is not part and other.channel.quantity in CLIMATE_QUANTITIES
        ]
        heard = bool(series.at.size) and now_ms - int(series.at[-1]) <= _HOUR_MS
        # At the top of its range a humidity element stands still because it is wet: that is `probe-saturated`.
        at_top = heard and channel.quantity == "relative_humidity" and float(series.value[-1]) >= SATURATED_FROM
        stuck = None if not heard else not at_top and is_stuck(series, siblings, now_ms)
        yield _found(PROBE_STUCK, part, stuck, now_ms)
        if channel.quantity == "relative_humidity" and heard:
            yield from _saturated(part, parts, now_ms)
        checked = [check.checked_ms for check in part.fact.calibrations if check.checked_ms <= now_ms]
        if checked:
            yield _found(CALIBRATION_DUE, part, calibration_is_due(max(checked), now_ms), now_ms)


def look_at_end_of_dark(measured: Sequence[Measured], now_ms: int, differences: Differences) -> Iterator[Finding]:
    """Compare the channels of an enclosure's air with each other at lights on; `differences` remembers the nights."""
    air = [
        part_of(m, now_ms - _HOUR_MS, now_ms + 1)
        for m in measured
        if m.channel.zone in _AIR_ZONES and m.channel.quantity in _COMPARED
    ]
    for one, other in combinations(sorted(air, key=lambda m: m.channel.key), 2):
        if one.channel.quantity != other.channel.quantity:
            continue
        nights = differences.setdefault(f"{one.channel.key}|{other.channel.key}", [])
        difference = end_of_dark_difference(one.channel.series, other.channel.series, now_ms)
        if math.isnan(difference):
            continue
        nights.append(difference)
        del nights[: -DISAGREEING_NIGHTS - EARLIER_NIGHTS]
        joint = quadrature(one.channel.uncertainty, other.channel.uncertainty)
        same_zone = one.channel.zone == other.channel.zone
        apart = (disagrees if same_zone else drifted_apart)(nights, joint)
        by = "more than" if same_zone else "which has changed by more than"
        told = (
            f"At the end of the dark {one.channel.key} and {other.channel.key} differ by {abs(difference):.1f}, "
            f"{by} the {joint:.1f} that their errors allow."
        )
        place = f"{one.channel.key}|{other.channel.key}"
        yield Finding(PROBE_DISAGREES, place, one.channel.zone, one.fact.id, apart, now_ms, cause=told)


def _found(condition: Condition, part: Measured, holds: bool | None, now_ms: int) -> Finding:
    return Finding(condition, part.channel.key, part.channel.zone, part.fact.id, holds, now_ms)


def _is_impossible(part: Measured, now_ms: int) -> bool | None:
    """Whether the last hour held a value that cannot be; None when it held nothing."""
    recent = part_of(part, now_ms - _HOUR_MS, now_ms + 1)
    series = recent.channel.series
    if not series.at.size:
        return None
    element = element_of(part.fact.model, part.fact.quantity, part.fact.figures)
    beyond = impossible_readings(
        series, part.fact.quantity, element.low, element.high, element.artefacts, element.resolution
    )
    return bool(np.any(beyond) or np.any(recent.flags & Flag.IMPOSSIBLE))


def _saturated(part: Measured, parts: Sequence[Measured], now_ms: int) -> Iterator[Finding]:
    """Yield whether a humidity element stands in water, where its zone's temperature is known."""
    for other in parts:
        if other.channel.quantity == "air_temperature" and other.channel.zone == part.channel.zone:
            holds = is_saturated(part.channel.series, other.channel.series, now_ms)
            yield _found(PROBE_SATURATED, part, holds, now_ms)
            return
