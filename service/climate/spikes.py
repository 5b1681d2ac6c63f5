"""Humidity spikes that no cycle explains: hand misting, a door, a rain room."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from service.climate.misting import ASKED_RESPONSE, LONGEST_SPIKE_MIN, SPIKE_ENDS_AT
from service.climate.misting_noise import LEAST_NOISE
from service.climate.ranges import MINUTE_MS, Floats, Instants
from service.climate.series import hold_ms
from service.climate.signal_filters import centred_median, prominent_peaks
from service.climate.zone_air import ZoneAir

# All of these: common practice, no source.
GRID_MS: Final = MINUTE_MS
BASELINE_MIN: Final = 60
"""The running baseline is the median of the preceding hour [min]."""
LEAST_BASELINE_MIN: Final = 30
"""Known minutes that it needs of it [min]."""
LONGEST_RISE_MIN: Final = 20
"""A slower rise is evaporation under warming lamps [min]."""
AFTER_CYCLE_MIN: Final = 30
"""A peak this soon after a cycle is the cycle's [min]."""
_FOOT, _TOP = 0.1, 0.9
"""The rise is timed between these parts of it, as a transition is in IEC 60469: noise moves neither end far."""


@dataclass(frozen=True)
class Spike:
    """A sudden rise of the water in the air.

    Parameters
    ----------
    foot_ms, peak_ms, end_ms : int
        Where it begins, is highest, and has fallen to a third of its peak. [ms, UTC]
    added : float
        Added humidity at the peak, against the hour before. [%RH]
    rise_minutes : float
        From a tenth to nine tenths of the rise.
    """

    foot_ms: int
    peak_ms: int
    end_ms: int
    added: float
    rise_minutes: float


def running_baseline(vapour: Floats) -> Floats:
    """Return the median of the preceding hour at each minute, shape (n,); NaN where less than 30 min of it is known.

    Parameters
    ----------
    vapour : ndarray, shape (n,)
        One value a minute, NaN where unknown. [Pa]
    """
    known = ~np.isnan(vapour)
    if not known.any():
        return np.full(vapour.shape, np.nan)
    # Unknown minutes take the last known value (the first ones the first known); too many of them give no baseline.
    last_known = np.maximum.accumulate(np.where(known, np.arange(len(vapour)), int(np.argmax(known))))
    padded = np.concatenate((np.full(BASELINE_MIN, np.nan), vapour[last_known]))
    padded[:BASELINE_MIN] = padded[BASELINE_MIN]
    half = BASELINE_MIN // 2
    # The filter is centred on [i - 30, i + 29]: half an hour to its right, the window ends where the minute begins.
    centred = centred_median(padded, BASELINE_MIN)
    counted = np.concatenate(([0], np.cumsum(known)))
    index = np.arange(len(vapour))
    enough = counted[index] - counted[np.maximum(0, index - BASELINE_MIN)] >= LEAST_BASELINE_MIN
    return np.where(enough, centred[half : half + len(vapour)], np.nan)


def added_by_minute(air: ZoneAir, start_ms: int, end_ms: int) -> tuple[Instants, Floats, Floats]:
    """Return added humidity against the running baseline, and humidity itself, one value a minute.

    Parameters
    ----------
    air : ZoneAir
        From 60 min before the start.
    start_ms, end_ms : int
        [ms, UTC]

    Returns
    -------
    at : ndarray of int64, shape (n,)
        [ms, UTC]
    added, humidity : ndarray of float64, shape (n,)
        Added humidity is NaN where either is not known. [%RH]
    """
    at = np.arange(start_ms - BASELINE_MIN * MINUTE_MS, end_ms, GRID_MS, dtype=np.int64)
    if not air.at.size:
        nothing = np.full(max(0, len(at) - BASELINE_MIN), np.nan)
        return at[BASELINE_MIN:], nothing, nothing
    index = np.searchsorted(air.at, at, "right") - 1
    part = np.maximum(index, 0)
    stands = (index >= 0) & (at - air.at[part] < hold_ms(air.cadence_ms))
    baseline = running_baseline(np.where(stands, air.vapour.value[part], np.nan))
    added = np.where(stands, air.added_humidity(baseline, part), np.nan)
    return at[BASELINE_MIN:], added[BASELINE_MIN:], air.humidity[part][BASELINE_MIN:]


def _rise(added: Floats, peak: int, earliest: int) -> tuple[int, int]:
    """Return where the rise to a peak leaves its lowest tenth, and where it enters its highest.

    It begins at the lowest value since `earliest`, but not below zero: air that had lost water
    rises from no added humidity.
    """
    before = added[earliest : peak + 1]
    floor, top = max(0.0, float(before.min())), float(added[peak])
    low = np.flatnonzero(before <= floor + _FOOT * (top - floor))
    foot = int(low[-1]) if len(low) else 0
    head = foot + int(np.argmax(before[foot:] >= floor + _TOP * (top - floor)))
    return earliest + foot, earliest + head


def _end(added: Floats, peak: int) -> int:
    """Return where added humidity has fallen to a third of its peak, or is not known any more."""
    rest = added[peak : peak + LONGEST_SPIKE_MIN]
    over = ~(rest > added[peak] * SPIKE_ENDS_AT)
    return peak + (int(np.argmax(over)) if over.any() else len(rest))


def unscheduled_spikes(
    air: ZoneAir,
    cycles_ms: Sequence[int],
    start_ms: int,
    end_ms: int,
    known_until_ms: int,
    least: float = ASKED_RESPONSE,
) -> tuple[Spike, ...]:
    """Return the spikes that peak in [start_ms, end_ms) and follow no cycle.

    Parameters
    ----------
    air : ZoneAir
        From 2 h before the start.
    cycles_ms : sequence of int
        Starts of cycles; a peak within 30 min after one is the cycle's. [ms, UTC]
    start_ms, end_ms : int
        [ms, UTC]
    known_until_ms : int
        Readings from here on are not used; at least 3 h after the end settle how long a spike lasted. [ms, UTC]
    least : float
        Prominence that makes a spike. [%RH]

    Returns
    -------
    tuple of Spike
        In order of time. A rise that takes more than 20 min, or of which a part is not known, is no spike; nor is one
        in which relative humidity itself did not rise.
    """
    horizon = min(known_until_ms, end_ms + LONGEST_SPIKE_MIN * MINUTE_MS)
    # An hour more before the start, so that a rise over midnight has its foot.
    at, added, humidity = added_by_minute(air, start_ms - BASELINE_MIN * MINUTE_MS, max(start_ms, horizon))
    filled = np.nan_to_num(added)
    found: list[Spike] = []
    own = np.sort(np.asarray(cycles_ms, dtype=np.int64))
    peaks = prominent_peaks(filled, least)
    for before, peak in pairwise([0, *peaks.tolist()]):
        when = int(at[peak])
        earlier = own[own < when]
        of_cycle = len(earlier) > 0 and when - int(earlier[-1]) <= AFTER_CYCLE_MIN * MINUTE_MS
        if of_cycle or not start_ms <= when < end_ms:
            continue
        foot, head = _rise(filled, peak, max(before, peak - BASELINE_MIN))
        rise_min = float(at[head] - at[foot]) / MINUTE_MS
        if rise_min > LONGEST_RISE_MIN or np.isnan(added[foot : peak + 1]).any():
            continue
        if humidity[foot : peak + 1].max() - humidity[foot] <= LEAST_NOISE + air.humidity_repeat:
            # Wet ground in warming air: humidity was held, not raised.
            continue
        last = _end(added, peak)
        end = int(at[last]) if last < len(at) else int(at[-1]) + GRID_MS
        found.append(Spike(int(at[foot]), when, end, float(added[peak]), rise_min))
    return tuple(found)
