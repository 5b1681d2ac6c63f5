"""Too dry and too wet: humidity beyond its alarm limits, spikes left out."""

from collections.abc import Iterator, Sequence
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from service.climate.beyond_limit import Beyond, beyond_limit, spike_spans
from service.climate.day_view import Cycle
from service.climate.likely_causes import cause_of_falling_humidity
from service.climate.series import hold_ms
from service.climate.targets import Target
from service.climate.zone_air import ZoneAir
from service.store.facts import EnclosureFact
from service.store.measured import Measured
from service.store.programme import Programme
from service.watch.conditions import TOO_DRY, TOO_WET, HumidityCondition
from service.watch.enclosure_air import air_between
from service.watch.findings import Finding

LOOKS_BACK_MS: Final = 8 * 3_600_000
_SPIKES_FROM_MS: Final = 6 * 3_600_000


def look_at_humidity(
    enclosure: EnclosureFact,
    measured: Sequence[Measured],
    programme: Programme,
    now_ms: int,
    zone: ZoneInfo,
    standing: Sequence[str],
    cycles: Sequence[Cycle],
) -> Iterator[Finding]:
    """Hold the humidity of the last hours against the alarm limits, the spikes of `cycles` and others left out.

    `standing` names the conditions that are raised.
    """
    target = programme.targets_at(now_ms).get("humidity-alarm")
    if target is None:
        return
    found = air_between(measured, now_ms - LOOKS_BACK_MS, now_ms + 1)
    if found is None:
        return
    air, humidity = found
    place = f"{enclosure.key}/{air.zone}"
    for condition, limit in ((TOO_DRY, target.low), (TOO_WET, target.high)):
        if not np.isfinite(limit):
            continue
        stands = f"{condition.key}|{place}" in standing
        if not stands and not _is_beyond(air, limit, now_ms, condition):
            continue  # nothing to raise, nothing to return: the spikes need not be found
        spikes = spike_spans(air, cycles, now_ms - _SPIKES_FROM_MS, now_ms, zone)
        state = beyond_limit(air.series, spikes, limit, condition.deadband, now_ms, condition.upward)
        yield _finding(condition, place, air, humidity, target, state, now_ms)


def _is_beyond(air: ZoneAir, limit: float, now_ms: int, condition: HumidityCondition) -> bool:
    """Whether the last known humidity is beyond the limit and still stands."""
    known = np.flatnonzero(~np.isnan(air.humidity))
    if not len(known) or now_ms - int(air.at[known[-1]]) > hold_ms(air.cadence_ms):
        return False
    last = float(air.humidity[known[-1]])
    return last > limit if condition.upward else last < limit


def _finding(
    condition: HumidityCondition,
    place: str,
    air: ZoneAir,
    humidity: Measured,
    target: Target,
    state: Beyond,
    now_ms: int,
) -> Finding:
    holds = True if state.held_ms >= condition.on_ms else (False if state.back else None)
    temperature = air.series.__class__(air.at, air.temperature, air.cadence_ms)
    cause = "" if condition.upward else cause_of_falling_humidity(air.series, temperature, now_ms)
    limit = target.high if condition.upward else target.low
    began = now_ms if state.since_ms is None else state.since_ms
    return Finding(condition, place, air.zone, humidity.fact.id, holds, began, state.last, limit, "%RH", cause or None)
