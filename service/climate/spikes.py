"""Humidity spikes that no cycle explains: hand misting, a door, a rain room."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

from service.climate.misting import ASKED_RESPONSE, LONGEST_SPIKE_MIN, SPIKE_ENDS_AT
from service.climate.misting_noise import LEAST_NOISE
from service.climate.peaks import prominent_peaks
from service.climate.ranges import MINUTE_MS, Floats, Instants
from service.climate.series import hold_ms
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


def running_baseline(vapour: Floats, part: slice = slice(None)) -> Floats:
    """Return the median of the preceding hour at each minute of a part; NaN where less than 30 min of it is known.

    Parameters
    ----------
    vapour : ndarray, shape (n,)
        One value a minute, NaN where unknown; an unknown minute counts as the last known one, of the first ones as the
        first known. Of an even number of minutes the upper one of the two in the middle. [Pa]
    part : slice
        Which minutes are asked for; by default all of them.
    """
    known = ~np.isnan(vapour)
    if not known.any():
        return np.full(vapour[part].shape, np.nan)
    counted = np.concatenate((np.zeros(BASELINE_MIN + 1, np.int64), np.cumsum(known)))
    enough = (counted[BASELINE_MIN:-1] - counted[: -BASELINE_MIN - 1])[part] >= LEAST_BASELINE_MIN
    # The hour before each minute, one a row; nothing is copied until the median is taken.
    hours = np.lib.stride_tricks.sliding_window_view(_with_an_hour(vapour), BASELINE_MIN)[:-1][part]
    return np.where(enough, np.partition(hours, BASELINE_MIN // 2, axis=1)[:, BASELINE_MIN // 2], np.nan)


def lowest_before(vapour: Floats) -> Floats:
    """Return the least of the preceding hour at each minute, shape (n,): the running baseline is never below it.

    Parameters
    ----------
    vapour : ndarray, shape (n,)
        As for the baseline; some of it known. [Pa]
    """
    lowest, width = _with_an_hour(vapour), 1
    while width < BASELINE_MIN:
        step = min(width, BASELINE_MIN - width)
        lowest, width = np.minimum(lowest[:-step], lowest[step:]), width + step
    return lowest[: len(vapour)]


def _with_an_hour(vapour: Floats) -> Floats:
    """Return an hour of the first known value, then each minute with the last known one."""
    known = ~np.isnan(vapour)
    last_known = np.maximum.accumulate(np.where(known, np.arange(len(vapour)), int(np.argmax(known))))
    filled = vapour[last_known]
    return np.concatenate((np.repeat(filled[:1], BASELINE_MIN), filled))


@dataclass(frozen=True, eq=False)
class _Minutes:
    """A zone's air, minute by minute.

    Attributes
    ----------
    at : ndarray of int64, shape (n,)
        [ms, UTC]
    vapour : ndarray of float64, shape (n,)
        NaN where unknown. [Pa]
    part : ndarray of int64, shape (n,)
        The index of the reading that stands.
    """

    at: Instants
    vapour: Floats
    part: Instants

    def added(self, air: ZoneAir, which: slice) -> Floats:
        """Return added humidity against the running baseline at some minutes, NaN where unknown [%RH]."""
        # Where no reading stands, its humidity is of an earlier time.
        known = ~np.isnan(self.vapour[which])
        return np.where(known, air.added_humidity(running_baseline(self.vapour, which), self.part[which]), np.nan)


def _minutes(air: ZoneAir, start_ms: int, end_ms: int) -> _Minutes:
    at = np.arange(start_ms, end_ms, GRID_MS, dtype=np.int64)
    index = air.at.searchsorted(at, "right") - 1
    part = np.maximum(index, 0)
    stands = (index >= 0) & (at - air.at[part] < hold_ms(air.cadence_ms))
    return _Minutes(at, np.where(stands, air.vapour.value[part], np.nan), part)


def _may_peak(air: ZoneAir, minutes: _Minutes, asked: npt.NDArray[np.bool_], least: float) -> bool:
    """Say whether added humidity may have a peak at one of those minutes that are asked for.

    It reaches no limit that it would not reach against the driest minute of the hour before, below which no baseline
    lies. Where that leaves minutes, a look at them and at the hour before settles it on most days: what still falls
    after a cycle is no peak. What lies beyond is taken for as low as can be.
    """
    known = np.flatnonzero(asked & ~np.isnan(minutes.vapour))
    if not known.size:
        return False
    high = known[air.added_humidity(lowest_before(minutes.vapour)[known], minutes.part[known]) >= least]
    for group in np.split(high, np.flatnonzero(np.diff(high) > BASELINE_MIN) + 1) if high.size else ():
        near = slice(max(0, int(group[0]) - BASELINE_MIN), int(group[-1]) + 2)
        added = np.nan_to_num(minutes.added(air, near))
        peaks = prominent_peaks(np.concatenate(([-np.inf], added, [-np.inf])), least) + near.start - 1
        if asked[peaks].any():
            return True
    return False


def _of_cycle(when: Instants, cycles: Instants) -> npt.NDArray[np.bool_]:
    """Say for each instant whether a peak then is a cycle's; the starts of cycles are in order [ms, UTC]."""
    if not cycles.size:
        return np.zeros(when.shape, dtype=np.bool_)
    before = cycles.searchsorted(when) - 1
    return (before >= 0) & (when - cycles[np.maximum(before, 0)] <= AFTER_CYCLE_MIN * MINUTE_MS)


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
    if not air.at.size:
        return ()
    horizon = min(known_until_ms, end_ms + LONGEST_SPIKE_MIN * MINUTE_MS)
    # An hour for the baseline, and one more so that a rise over midnight has its foot.
    minutes = _minutes(air, start_ms - 2 * BASELINE_MIN * MINUTE_MS, max(start_ms, horizon))
    at = minutes.at
    asked = (at >= start_ms) & (at < end_ms) & ~_of_cycle(at, np.sort(np.asarray(cycles_ms, dtype=np.int64)))
    if not _may_peak(air, minutes, asked, least):
        return ()
    after_an_hour = slice(BASELINE_MIN, None)
    added, at = minutes.added(air, after_an_hour), at[after_an_hour]
    humidity = air.humidity[minutes.part[after_an_hour]]
    peaks = prominent_peaks(np.nan_to_num(added), least).tolist()
    spikes = (
        _spike(at, added, humidity, max(before, peak - BASELINE_MIN), peak, LEAST_NOISE + air.humidity_repeat)
        for before, peak in pairwise([0, *peaks])
        if asked[BASELINE_MIN + peak]
    )
    return tuple(spike for spike in spikes if spike is not None)


def _spike(at: Instants, added: Floats, humidity: Floats, earliest: int, peak: int, least_rise: float) -> Spike | None:
    """Return the spike of a peak; None where it rose too slowly, is not known, or humidity itself did not rise."""
    foot, head = _rise(np.nan_to_num(added), peak, earliest)
    rise_min = float(at[head] - at[foot]) / MINUTE_MS
    if rise_min > LONGEST_RISE_MIN or np.isnan(added[foot : peak + 1]).any():
        return None
    if humidity[foot : peak + 1].max() - humidity[foot] <= least_rise:
        # Wet ground in warming air: humidity was held, not raised.
        return None
    last = _end(added, peak)
    end = int(at[last]) if last < len(at) else int(at[-1]) + GRID_MS
    return Spike(int(at[foot]), int(at[peak]), end, float(added[peak]), rise_min)
