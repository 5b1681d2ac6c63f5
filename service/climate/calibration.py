"""From reference checks to a correction and its uncertainty: an offset from one point, a line from two or more."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np

from service.climate.ranges import MINUTE_MS, Floats, Instants
from service.climate.series import coverage, series_of
from service.climate.uncertainty import COVERAGE_FACTOR, expanded_from_limit, quadrature

RANGE_OF_USE: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "relative_humidity": (10.0, 100.0),
        "air_temperature": (5.0, 50.0),
        "surface_temperature": (5.0, 50.0),
        "substrate_temperature": (5.0, 50.0),
    }
)
"""Where a correction is used: its uncertainty is taken at the worse end (common practice, no source) [unit]."""
LEAST_APART: Final[Mapping[str, float]] = MappingProxyType(
    {"relative_humidity": 20.0, "air_temperature": 10.0, "surface_temperature": 10.0, "substrate_temperature": 10.0}
)
"""Points nearer to each other say nothing of a slope (common practice, no source) [unit]."""
LEAST_LIMIT: Final[Mapping[str, float]] = MappingProxyType(
    {"relative_humidity": 10.0, "air_temperature": 2.0, "surface_temperature": 2.0, "substrate_temperature": 2.0}
)
"""A correction up to this is plausible for any element (common practice, no source) [unit]."""
LARGEST_BY_UNCERTAINTY: Final = 3.0
"""A correction up to so many times the element's own U is plausible (common practice, no source)."""
SLOPES: Final = (0.8, 1.25)
"""A slope outside says that a point is wrong, or the element is (common practice, no source)."""
LEAST_READINGS: Final = 5
LEAST_COVERAGE: Final = 0.75
STEADY_WITHIN: Final[Mapping[str, float]] = MappingProxyType(
    {"relative_humidity": 0.5, "air_temperature": 0.1, "surface_temperature": 0.1, "substrate_temperature": 0.1}
)
"""A probe has settled when its window moves by no more (common practice, no source) [unit]."""


@dataclass(frozen=True, slots=True)
class CheckPoint:
    """One reference point.

    Attributes
    ----------
    reference : float
        What was true. [the quantity's unit]
    reads : float
        What the channel read, as stored. [unit]
    uncertainty : float
        Of the difference, expanded, k = 2, above zero. [unit]
    """

    reference: float
    reads: float
    uncertainty: float


@dataclass(frozen=True, slots=True)
class Correction:
    """A straight line from what a channel reads to what is true: ``slope · reads + offset``.

    Attributes
    ----------
    slope : float
        1 for an offset.
    offset : float
        [unit]
    centre : float
        The reading at which the line is known best. [unit]
    uncertainty_at_centre : float
        Expanded, k = 2. [unit]
    slope_uncertainty : float
        Expanded, k = 2; 0 for an offset, of which no slope is known.
    low, high : float
        The least and the greatest reading of the points. [unit]
    """

    slope: float
    offset: float
    centre: float
    uncertainty_at_centre: float
    slope_uncertainty: float
    low: float
    high: float

    def of(self, reads: Floats) -> Floats:
        """Return readings corrected, any shape; NaN stays NaN. [unit]."""
        return self.slope * reads + self.offset

    def at(self, reads: float) -> float:
        """Return one reading corrected. [unit]."""
        return self.slope * reads + self.offset

    def uncertainty_at(self, reads: float) -> float:
        """Return the expanded uncertainty, k = 2, of a corrected reading, as far as it comes from the check [unit]."""
        return math.hypot(self.uncertainty_at_centre, self.slope_uncertainty * (reads - self.centre))

    def widest(self, quantity: str) -> float:
        """Return the expanded uncertainty, k = 2, at the worse end of where the quantity is used and checked [unit]."""
        low, high = RANGE_OF_USE.get(quantity, (self.low, self.high))
        return max(self.uncertainty_at(min(low, self.low)), self.uncertainty_at(max(high, self.high)))


def correction_of(points: Sequence[CheckPoint]) -> Correction:
    """Return the correction that reference points give.

    Parameters
    ----------
    points : sequence of CheckPoint
        One or more; of several, at least two must differ in what was read.

    Returns
    -------
    Correction
        Of one point an offset with that point's uncertainty. Of more, the line of weighted least squares, weights
        1/U²: through both of two points. Where more than two scatter about it further than their uncertainties allow,
        the line's uncertainty is widened by the ratio of the two (Birge's ratio).

    Raises
    ------
    ValueError
        If there is no point, an uncertainty is not above zero, or all points read the same.

    References
    ----------
    .. [1] JCGM 100:2008, H.3 (calibration of a thermometer by least squares).
    .. [2] R. T. Birge, Phys. Rev. 40 (1932) 207 (from memory).
    """
    if not points or not all(point.uncertainty > 0 for point in points):
        raise ValueError("a correction needs at least one point, each with an uncertainty above zero")
    reads = np.array([point.reads for point in points])
    low, high = _ends(reads)
    if len(points) == 1:
        only = points[0]
        return Correction(1.0, only.reference - only.reads, only.reads, only.uncertainty, 0.0, low, high)
    if low == high:
        raise ValueError(f"all points read {low:g}: a line needs two that differ")
    return _line(points, reads)


def _line(points: Sequence[CheckPoint], reads: Floats) -> Correction:
    """Return the line of weighted least squares, weights 1/U²."""
    true = np.array([point.reference for point in points])
    standard = np.array([point.uncertainty for point in points]) / COVERAGE_FACTOR
    weight = standard**-2.0
    centre = float(np.average(reads, weights=weight))
    level = float(np.average(true, weights=weight))
    spread = float(np.sum(weight * (reads - centre) ** 2))
    slope = float(np.sum(weight * (reads - centre) * (true - level)) / spread)
    left = (true - level - slope * (reads - centre)) / standard
    freedom = len(points) - 2
    ratio = max(1.0, math.sqrt(float(np.sum(left**2)) / freedom)) if freedom else 1.0
    expansion = COVERAGE_FACTOR * ratio
    at_centre = expansion / math.sqrt(float(np.sum(weight)))
    return Correction(slope, level - slope * centre, centre, at_centre, expansion / math.sqrt(spread), *_ends(reads))


def _ends(reads: Floats) -> tuple[float, float]:
    return float(reads.min()), float(reads.max())


def point_uncertainty(reference: float, spread: float, resolution: float, repeat: float) -> float:
    """Return the uncertainty of what a channel is off by at a reference point.

    Parameters
    ----------
    reference : float
        Of the reference, expanded, k = 2. [the quantity's unit]
    spread : float
        Standard deviation of the readings: they follow each other, so their mean is taken to be no better. [unit]
    resolution : float
        The element's step. [unit]
    repeat : float
        What the element may read differently another time or elsewhere in its range, k = 2. [unit]

    Returns
    -------
    float
        Expanded, k = 2. [unit]

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.2.
    """
    step = expanded_from_limit(resolution / 2)
    return quadrature(reference, COVERAGE_FACTOR * spread, step, repeat)


def why_implausible(quantity: str, points: Sequence[CheckPoint], own_uncertainty: float) -> str | None:
    """Return in a sentence why points cannot be a calibration, or None.

    Parameters
    ----------
    quantity : str
        A key of `sensors.quantities.QUANTITIES`.
    points : sequence of CheckPoint
    own_uncertainty : float
        Of the uncalibrated element, k = 2. [unit]

    Returns
    -------
    str or None
        Why: no point, an uncertainty that is missing, a correction larger than an element of that kind can need, points
        too near to each other for a line, or a slope that no element has.
    """
    if not points:
        return "there is no point"
    limit = max(LARGEST_BY_UNCERTAINTY * own_uncertainty, LEAST_LIMIT.get(quantity, 0.0))
    for point in points:
        if not (math.isfinite(point.uncertainty) and point.uncertainty > 0):
            return "the uncertainty of the reference is missing: without it nothing can be said of the probe"
        apart = point.reference - point.reads
        if abs(apart) > limit:
            return (
                f"the probe read {point.reads:g} where the reference stood at {point.reference:g}: a difference of "
                f"{abs(apart):.3g} is more than the {limit:.3g} that such an element can need; look for a mistake "
                "in the check, and replace the probe if there is none"
            )
    return _why_no_line(quantity, points) if len(points) > 1 else None


def _why_no_line(quantity: str, points: Sequence[CheckPoint]) -> str | None:
    reads = [point.reads for point in points]
    apart, least = max(reads) - min(reads), LEAST_APART.get(quantity, 0.0)
    if apart < least or not apart:
        return f"the points lie {apart:.3g} apart; a line needs at least {least:g}: keep the better one of them"
    slope = correction_of(points).slope
    if not SLOPES[0] <= slope <= SLOPES[1]:
        return (
            f"the line through the points has the slope {slope:.3f}, expected {SLOPES[0]:g} to {SLOPES[1]:g}; "
            "one of the points is wrong, or the element is worn out"
        )
    return None


@dataclass(frozen=True, slots=True)
class Settling:
    """The newest readings of a probe that stands in a reference.

    Attributes
    ----------
    start_ms, end_ms : int
        The window (start_ms, end_ms]. [ms, UTC]
    readings : int
        How many fit ones it holds.
    mean : float
        Of those; NaN of none. [unit]
    spread : float
        Their standard deviation; 0 of one, NaN of none. [unit]
    moved : float
        What a straight line through them rises over the whole window; NaN of fewer than two. [unit]
    waiting : str or None
        Why they cannot be taken yet, as the end of a sentence; None when the probe has settled.
    """

    start_ms: int
    end_ms: int
    readings: int
    mean: float
    spread: float
    moved: float
    waiting: str | None

    @property
    def is_settled(self) -> bool:
        """Whether the mean can be taken."""
        return self.waiting is None


def settling_of(quantity: str, at: Instants, value: Floats, end_ms: int, window_ms: int, resolution: float) -> Settling:
    """Say whether a probe has settled, and what it reads.

    Parameters
    ----------
    quantity : str
    at : ndarray of int64, shape (n,)
        Strictly increasing, the readings of the window and some before. [ms, UTC]
    value : ndarray of float64, shape (n,)
        As stored; NaN where unfit. [unit]
    end_ms, window_ms : int
        The window is (end_ms − window_ms, end_ms]. [ms]
    resolution : float
        The element's step: what it moves by is never less than that. [unit]

    Returns
    -------
    Settling
        Settled when the window holds at least `LEAST_READINGS` readings, covers three quarters of itself, and moves by
        no more than `STEADY_WITHIN` or two steps of the element (common practice, no source).
    """
    start = end_ms - window_ms
    inside = (at > start) & (at <= end_ms) & ~np.isnan(value)
    times, values = at[inside], value[inside]
    if not values.size:
        return Settling(start, end_ms, 0, math.nan, math.nan, math.nan, "nothing was heard of it in that time")
    minutes = (times - times[0]) / MINUTE_MS
    spread = float(np.std(values, ddof=1)) if values.size > 1 else 0.0
    moved = _slope(minutes, values) * window_ms / MINUTE_MS if values.size > 1 else math.nan
    waiting = _why_wait(quantity, times, values, start, end_ms, moved, resolution)
    return Settling(start, end_ms, int(values.size), float(values.mean()), spread, moved, waiting)


def _slope(x: Floats, y: Floats) -> float:
    """Return the slope of the least-squares line; all of `x` differ."""
    apart = x - x.mean()
    return float(np.sum(apart * (y - y.mean())) / np.sum(apart**2))


def _why_wait(
    quantity: str, times: Instants, values: Floats, start: int, end: int, moved: float, resolution: float
) -> str | None:
    if values.size < LEAST_READINGS:
        return f"only {values.size} readings came in that time, at least {LEAST_READINGS} are needed"
    if coverage(series_of(times, values), start, end) < LEAST_COVERAGE:
        return "its readings leave more than a quarter of that time without any"
    steady = max(STEADY_WITHIN.get(quantity, 0.0), 2.0 * resolution)
    if abs(moved) > steady:
        way = "up" if moved > 0 else "down"
        return f"it still goes {way}, by {abs(moved):.2g} in that time; settled is {steady:.2g} or less"
    return None


def as_found(before: Correction | None, points: Sequence[CheckPoint]) -> tuple[float, ...]:
    """Return what a channel was off by at each point, as it was corrected until then: as shown − as it is.

    Parameters
    ----------
    before : Correction or None
        In force until the check; None where there was none. [unit]
    points : sequence of CheckPoint

    Returns
    -------
    tuple of float
        Of a channel that was checked before, its drift since. [unit]
    """
    return tuple((point.reads if before is None else before.at(point.reads)) - point.reference for point in points)
