"""How long humidity has been beyond a limit, spikes left out: what `too-dry` and `too-wet` rest on."""

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from service.climate.day_cycle import Span
from service.climate.day_view import Cycle
from service.climate.misting import Surroundings, judge_cycles
from service.climate.series import Series, cover, hold_ms, without
from service.climate.spikes import unscheduled_spikes
from service.climate.zone_air import ZoneAir


@dataclass(frozen=True, slots=True)
class Beyond:
    """Where humidity stands against a limit.

    Parameters
    ----------
    since_ms : int or None
        The first reading of the run beyond the limit that still goes on; None when it is not beyond. [ms, UTC]
    held_ms : int
        Covered time of that run, spikes left out. [ms]
    back : bool
        The last reading outside a spike is back by the deadband.
    last : float
        That reading, NaN when there is none. [%RH]
    peak : float
        The reading of the run furthest beyond. [%RH]
    """

    since_ms: int | None
    held_ms: int
    back: bool
    last: float
    peak: float


def spike_spans(air: ZoneAir, cycles: Sequence[Cycle], start_ms: int, now_ms: int, zone: ZoneInfo) -> list[Span]:
    """Return the times of humidity spikes in [start_ms, now_ms), as far as they are known by now [ms, UTC]."""
    around = Surroundings(now_ms, None, None, zone)
    judged = judge_cycles(air, cycles, around, start_ms, now_ms)
    found = unscheduled_spikes(air, [cycle.at_ms for cycle in cycles], start_ms, now_ms, now_ms)
    of_cycles = [result.spike for result in judged if result.spike is not None]
    return [*of_cycles, *((spike.foot_ms, spike.end_ms) for spike in found)]


def beyond_limit(
    humidity: Series, spikes: Sequence[Span], limit: float, deadband: float, now_ms: int, upward: bool
) -> Beyond:
    """Say since when, and for how much covered time outside spikes, humidity has been beyond a limit.

    Parameters
    ----------
    humidity : Series
        Up to now. [%RH]
    spikes : sequence of (int, int)
        A reading within one neither makes nor breaks a run. [ms, UTC]
    limit, deadband : float
        Exactly at the limit is not beyond. [%RH]
    now_ms : int
        [ms, UTC]
    upward : bool
        The limit is a highest value; else a lowest.
    """
    wet = np.zeros(humidity.at.shape, dtype=np.bool_)
    for start, end in spikes:
        wet |= (humidity.at >= start) & (humidity.at < end)
    known = ~np.isnan(humidity.value) & ~wet & (humidity.at <= now_ms)
    at, value = humidity.at[known], humidity.value[known]
    if not len(at):
        return Beyond(None, 0, back=False, last=float("nan"), peak=float("nan"))
    by = value - limit if upward else limit - value
    last, back = float(value[-1]), bool(by[-1] <= -deadband)
    within = np.flatnonzero(by <= 0)
    first = int(within[-1]) + 1 if len(within) else 0
    if first == len(at):
        return Beyond(None, 0, back, last, float("nan"))
    begin = int(at[first])
    # A reading stands no longer than its hold: what is missing does not count as beyond.
    end = min(now_ms, int(at[-1]) + hold_ms(humidity.cadence_ms))
    held = cover(humidity, without([(begin, max(begin, end))], list(spikes))).covered_ms
    peak = float(value[first:].max() if upward else value[first:].min())
    return Beyond(begin, int(held), back, last, peak)
