"""Can a probe be believed? Each condition as a pure function of its readings."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from service.climate.ranges import HOUR_MS, MINUTE_MS, Floats, Instants
from service.climate.series import LEAST_COVERAGE, Series, cover, hold_ms
from service.climate.uncertainty import months_between

# All of these: common practice, no source.
SILENT_CADENCES: Final = 3
SILENT_FLOOR_MIN: Final = 10
STUCK_HOURS: Final = 3.0
STUCK_ALONE_HOURS: Final = 12.0
SIBLING_MOVED_RESOLUTIONS: Final = 5
SATURATED_FROM: Final = 99.5
"""[%RH]"""
SATURATED_HOURS: Final = 6.0
SATURATED_MOVED: Final = 2.0
"""Temperature must have moved by this much [°C]."""
STEP_WITHIN_S: Final = 30
LONGEST_EXCURSION_MIN: Final = 5
"""A value that jumps away comes back within this, or it is the new state of things [min]."""
LARGEST_STEP: Final = {
    "air_temperature": 10.0,
    "surface_temperature": 10.0,
    "substrate_temperature": 10.0,
    "relative_humidity": 40.0,
}
"""Larger steps in under 30 s are faster than any such probe responds [unit of the quantity]."""
END_OF_DARK_MIN: Final = 30
DISAGREEING_NIGHTS: Final = 3
EARLIER_NIGHTS: Final = 28
LEAST_EARLIER_NIGHTS: Final = 7
CALIBRATION_MONTHS: Final = 12.0
BATTERY_LOW_PERCENT: Final = 15.0
_LOOKED_AT: Final = np.array([1, 2, 3, 5, 8, 13, 21, 34, 55, 89, 144])
"""So many readings before the last one."""
_NEVER_MS: Final = 2**62


def silent_after_ms(cadence_ms: int) -> int:
    """Return how long nothing may come from a channel: max(3 cadences, 10 min) [ms]."""
    return max(SILENT_CADENCES * cadence_ms, SILENT_FLOOR_MIN * MINUTE_MS)


def is_silent(last_ms: int, now_ms: int, cadence_ms: int) -> bool:
    """Say whether a channel has been silent for longer than it may [ms, UTC]."""
    return now_ms - last_ms > silent_after_ms(cadence_ms)


@dataclass(frozen=True, eq=False)
class Sibling:
    """Another channel of the same enclosure.

    Parameters
    ----------
    series : Series
    resolution : float
        [unit of the series]
    """

    series: Series
    resolution: float


def _moved(series: Series, start: int, end: int) -> float:
    """Return how far a channel moved in [start, end), 0 when it is not known there."""
    known = cover(series, [(start, end)]).value
    return float(known.max() - known.min()) if known.size else 0.0


def _steady_since(series: Series, low: float, high: float) -> int | None:
    """Return since when every known reading up to the last lies within limits, None when the last does not [ms, UTC].

    A gap longer than the hold begins the time anew: what happened in it is not known.
    """
    known = ~np.isnan(series.value)
    at, value = series.at[known], series.value[known]
    if not at.size:
        return None
    broken = (value < low) | (value > high)
    broken[:-1] |= np.diff(at) > hold_ms(series.cadence_ms)
    if value[-1] < low or value[-1] > high:
        return None
    breaks = np.flatnonzero(broken)
    return int(at[breaks[-1] + 1]) if len(breaks) else int(at[0])


def is_stuck(series: Series, siblings: Sequence[Sibling], now_ms: int) -> bool:
    """Say whether a channel stands still while its enclosure does not.

    Parameters
    ----------
    series : Series
        Up to now.
    siblings : sequence of Sibling
        Channels of the same enclosure, any quantity. With any known there, the same value counts as stuck after 3 h in
        which one moved by more than 5 of its resolutions; with none, after 12 h.
    now_ms : int
        [ms, UTC]
    """
    if not series.at.size or np.isnan(series.value[-1]) or now_ms - int(series.at[-1]) > hold_ms(series.cadence_ms):
        return False
    last = float(series.value[-1])
    recent = series.value[int(series.at.searchsorted(now_ms - int(STUCK_HOURS * HOUR_MS), "right")) :]
    if ((recent < last) | (recent > last)).any():
        # Nearly always: what moved within the shortest time that counts need not be looked at further back.
        return False
    since = _steady_since(series, last, last)
    # The shorter time first: nearly always that settles it, and the siblings need not be looked at.
    if since is None or now_ms - since < STUCK_HOURS * HOUR_MS:
        return False
    known = [s for s in siblings if cover(s.series, [(since, now_ms)]).covered_ms]
    if not known:
        return now_ms - since >= STUCK_ALONE_HOURS * HOUR_MS
    return any(_moved(s.series, since, now_ms) > SIBLING_MOVED_RESOLUTIONS * s.resolution for s in known)


@dataclass(frozen=True, eq=False)
class Lately:
    """A few readings before each of several instants: they clear nearly every channel of being stuck or saturated.

    Attributes
    ----------
    last : ndarray of float64, shape (n,)
        The last reading at each instant; some value where there is none. [unit]
    earlier : ndarray of float64, shape (n, m)
        Some of those before it. [unit]
    ago_ms : ndarray of int64, shape (n, m)
        How long ago; without end where there is none that counts. [ms]
    """

    last: Floats
    earlier: Floats
    ago_ms: Instants

    @property
    def moved(self) -> npt.NDArray[np.bool_]:
        """Where `is_stuck` is False whatever the siblings did, shape (n,): another value within the shortest time."""
        other = (self.earlier < self.last[:, None]) | (self.earlier > self.last[:, None])
        return np.asarray((other & (self.ago_ms < STUCK_HOURS * HOUR_MS)).any(axis=1), dtype=np.bool_)

    @property
    def was_below_top(self) -> npt.NDArray[np.bool_]:
        """Where `is_saturated` is False whatever the temperature did, shape (n,)."""
        below = (self.earlier < SATURATED_FROM) & (self.ago_ms < SATURATED_HOURS * HOUR_MS)
        return np.asarray(below.any(axis=1), dtype=np.bool_)


def lately(series: Series, now_ms: Instants, since_ms: int) -> Lately:
    """Return a few readings before each of several instants.

    Parameters
    ----------
    series : Series
        Of any length, with at least one reading.
    now_ms : ndarray of int64, shape (n,)
        [ms, UTC]
    since_ms : int
        Readings before do not count: the channel stood elsewhere. [ms, UTC]
    """
    last = series.at.searchsorted(now_ms, "right") - 1
    before = last[:, None] - _LOOKED_AT
    which = np.maximum(before, 0)
    at = series.at[which]
    counts = (before >= 0) & (at >= since_ms)
    return Lately(series.value[last], series.value[which], np.where(counts, now_ms[:, None] - at, _NEVER_MS))


def is_saturated(humidity: Series, temperature: Series, now_ms: int) -> bool:
    """Say whether a humidity element is wet: at or above 99.5 %RH for 6 h while temperature moved by 2 °C or more.

    Parameters
    ----------
    humidity, temperature : Series
        Of one zone. [%RH], [°C]
    now_ms : int
        [ms, UTC]
    """
    since = _steady_since(humidity, SATURATED_FROM, np.inf)
    if since is None or now_ms - int(humidity.at[-1]) > hold_ms(humidity.cadence_ms):
        return False
    return now_ms - since >= SATURATED_HOURS * HOUR_MS and _moved(temperature, since, now_ms) >= SATURATED_MOVED


def impossible_readings(
    series: Series, quantity: str, low: float, high: float, artefacts: Collection[float] = (), resolution: float = 0.0
) -> npt.NDArray[np.bool_]:
    """Say for each reading whether it cannot be climate.

    Parameters
    ----------
    series : Series
    quantity : str
        Quantities without an entry in `LARGEST_STEP` have no largest step.
    low, high : float
        The model's range. [unit]
    artefacts : collection of float
        Values that the catalogue lists as the element's own, such as one after power-on. [unit]
    resolution : float
        Artefacts match within half of it. [unit]

    Returns
    -------
    ndarray of bool, shape (n,)
        True outside the range, at an artefact, and between a step that is faster than the probe responds and the step
        back that follows it within 5 min. NaN is not impossible, only unknown.
    """
    value = series.value
    found = (value < low) | (value > high)
    for artefact in artefacts:
        found |= np.abs(value - artefact) <= max(resolution / 2, 1e-9)
    return np.asarray(found | _excursions(series, LARGEST_STEP.get(quantity, np.inf)), dtype=np.bool_)


def _excursions(series: Series, largest: float) -> npt.NDArray[np.bool_]:
    """Mark the readings between an impossible step and the impossible step back."""
    marked = np.zeros(series.value.shape, dtype=np.bool_)
    step = np.diff(series.value)
    fast = np.flatnonzero((np.abs(step) > largest) & (np.diff(series.at) < STEP_WITHIN_S * 1000))
    for away, back in zip(fast[:-1].tolist(), fast[1:].tolist(), strict=True):
        lasted = int(series.at[back] - series.at[away + 1])
        returns = step[away] * step[back] < 0 and not marked[away]
        if returns and lasted <= LONGEST_EXCURSION_MIN * MINUTE_MS:
            marked[away + 1 : back + 1] = True
    return marked


def end_of_dark_difference(one: Series, other: Series, lights_on_ms: int) -> float:
    """Return one channel's median less the other's over the last 30 min of the dark, NaN when less than 0.75 is known.

    Then the gradient is lowest, and two channels of an enclosure's air come closest.

    Parameters
    ----------
    one, other : Series
        Of one quantity. [unit]
    lights_on_ms : int
        [ms, UTC]
    """
    span = [(lights_on_ms - END_OF_DARK_MIN * MINUTE_MS, lights_on_ms)]
    known = cover(one, span), cover(other, span)
    enough = all(k.coverage >= LEAST_COVERAGE for k in known)
    return known[0].percentile(50) - known[1].percentile(50) if enough else float("nan")


def disagrees(differences: Sequence[float], joint_uncertainty: float) -> bool:
    """Say whether two channels differed by more than their joint U on each of the last 3 nights with data.

    Parameters
    ----------
    differences : sequence of float
        Of `end_of_dark_difference`, in order of nights; NaN nights are left out. [unit]
    joint_uncertainty : float
        Both U in quadrature. [unit]
    """
    known = [d for d in differences if not np.isnan(d)][-DISAGREEING_NIGHTS:]
    return len(known) == DISAGREEING_NIGHTS and all(abs(d) > joint_uncertainty for d in known)


def drifted_apart(differences: Sequence[float], joint_uncertainty: float) -> bool:
    """Say whether two channels of different zones have moved apart since the nights before.

    A heated box has a gradient at night too, so that their difference alone proves nothing; a change of it does.

    Parameters
    ----------
    differences : sequence of float
        Of `end_of_dark_difference`, in order of nights; NaN nights are left out. [unit]
    joint_uncertainty : float
        Both U in quadrature. [unit]

    Returns
    -------
    bool
        True when each of the last 3 nights differs by more than the joint U from the median of up to 28 before them, of
        which at least 7 must be known (common practice, no source).
    """
    known = [d for d in differences if not np.isnan(d)]
    earlier = known[:-DISAGREEING_NIGHTS][-EARLIER_NIGHTS:]
    if len(earlier) < LEAST_EARLIER_NIGHTS:
        return False
    usual = float(np.median(earlier))
    return disagrees([difference - usual for difference in known], joint_uncertainty)


def calibration_is_due(last_check_ms: int, now_ms: int, months: float = CALIBRATION_MONTHS) -> bool:
    """Say whether more than so many months have passed since the last reference check [ms, UTC]."""
    return months_between(last_check_ms, now_ms) > months


def battery_is_low(percent: float | None = None, volts: float | None = None, least_volts: float | None = None) -> bool:
    """Say whether a battery is below 15 %, or below the model's voltage; unknown is not low.

    Parameters
    ----------
    percent : float, optional
        [%]
    volts, least_volts : float, optional
        What it has and what the model needs. [V]
    """
    by_percent = percent is not None and percent < BATTERY_LOW_PERCENT
    return by_percent or (volts is not None and least_volts is not None and volts < least_volts)
