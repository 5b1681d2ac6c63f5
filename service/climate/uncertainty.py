"""Verdicts that know what a probe cannot know: guard bands, drift, soaking, differences."""

import math
from collections.abc import Iterable, Mapping
from enum import StrEnum
from typing import Final

from service.climate.ranges import DAY_MS, require_within
from service.climate.targets import Target

COVERAGE_FACTOR: Final = 2.0
"""k of every expanded uncertainty here."""
MONTH_MS: Final = 30.436875 * DAY_MS
"""A twelfth of the mean Gregorian year [ms]."""
DRIFT_PER_MONTH: Final[Mapping[str, float]] = {
    "relative_humidity": 0.25,
    "air_temperature": 0.02,
    "surface_temperature": 0.02,
    "substrate_temperature": 0.02,
}
"""Widening since the last reference check, by quantity (common practice, no source) [unit a month]."""
SAME_CHANNEL_PART: Final = 1 / 3
"""Part of U left in a difference of one channel with itself (common practice, no source)."""


class Verdict(StrEnum):
    """What can be said of a check; neither of the last two is a pass."""

    MET = "met"
    NOT_MET = "not met"
    BORDERLINE = "borderline"
    NO_DATA = "no data"


_WORST_FIRST: Final = (Verdict.NOT_MET, Verdict.NO_DATA, Verdict.BORDERLINE, Verdict.MET)


def judge(statistic: float, target: Target, uncertainty: float) -> Verdict:
    """Say whether a statistic meets its target, or why that cannot be said.

    Parameters
    ----------
    statistic : float
        NaN where coverage was too low. [unit of the target]
    target : Target
        Both ends allowed; an open end is infinite. [one unit]
    uncertainty : float
        Expanded, k = 2, not negative. [unit of the target]

    Returns
    -------
    Verdict
        BORDERLINE inside a guard band, NO_DATA for NaN: neither is a pass.

    Raises
    ------
    OutOfRangeError
        If the uncertainty is negative.

    References
    ----------
    .. [1] JCGM 106:2012, section 8, guard bands.
    """
    require_within("uncertainty", uncertainty, 0, math.inf, target.unit)
    if math.isnan(statistic) or math.isnan(uncertainty):
        return Verdict.NO_DATA
    if target.low + uncertainty <= statistic <= target.high - uncertainty:
        return Verdict.MET
    if statistic < target.low - uncertainty or statistic > target.high + uncertainty:
        return Verdict.NOT_MET
    return Verdict.BORDERLINE


def judge_share(certain: float, at_most: float, asked: float) -> Verdict:
    """Say whether a share of time reaches what is asked.

    Parameters
    ----------
    certain : float
        Share of time within the target less U at both ends; NaN where coverage was too low. [0 to 1]
    at_most : float
        Share of time within the target and U at both ends. [0 to 1]
    asked : float
        [0 to 1]

    Returns
    -------
    Verdict
        MET when the certain share reaches it, NOT_MET when even the most does not, else BORDERLINE.

    References
    ----------
    .. [1] JCGM 106:2012, section 8, guard bands, applied to each reading.
    """
    if math.isnan(certain) or math.isnan(at_most):
        return Verdict.NO_DATA
    if certain >= asked:
        return Verdict.MET
    return Verdict.NOT_MET if at_most < asked else Verdict.BORDERLINE


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the verdict that a summary must show: not met > no data > borderline > met; of none, no data."""
    present = set(verdicts)
    return next((verdict for verdict in _WORST_FIRST if verdict in present), Verdict.NO_DATA)


def conformance_probability(statistic: float, target: Target, uncertainty: float) -> float:
    """Return the probability that the true value meets its target.

    Normal distribution, no knowledge but the reading; with no uncertainty it is 0 or 1.

    References
    ----------
    .. [1] JCGM 106:2012, section 7.
    """
    if uncertainty == 0:
        return float(target.low <= statistic <= target.high)
    scale = uncertainty / COVERAGE_FACTOR * math.sqrt(2)
    below_high = math.erf((target.high - statistic) / scale)
    below_low = math.erf((target.low - statistic) / scale)
    return (below_high - below_low) / 2


def expanded_from_limit(limit: float) -> float:
    """Return U (k = 2) of a datasheet's "± limit" with no coverage stated: 2·limit/√3, about 1.15 times it.

    References
    ----------
    .. [1] JCGM 100:2008, 4.3.7, rectangular distribution.
    """
    return COVERAGE_FACTOR * limit / math.sqrt(3)


def widened_for_drift(uncertainty: float, quantity: str, months: float, per_month: float | None = None) -> float:
    """Return U some months after the reference check.

    Parameters
    ----------
    uncertainty : float
        At the reference check, k = 2. [unit of the quantity]
    quantity : str
        A quantity without an allowance in `DRIFT_PER_MONTH` does not widen.
    months : float
        Since the check; negative counts as zero.
    per_month : float, optional
        The allowance, by default that of the quantity (common practice, no source). [unit a month]
    """
    rate = DRIFT_PER_MONTH.get(quantity, 0.0) if per_month is None else per_month
    return uncertainty + rate * max(0.0, months)


def months_between(first_ms: int, last_ms: int) -> float:
    """Return the months from one instant to another, each a twelfth of the mean year."""
    return (last_ms - first_ms) / MONTH_MS


def widened_for_soak(uncertainty: float, allowance: float, soaked: bool) -> float:
    """Return U of a humidity element, widened by its catalogue's soak allowance while it is soaked [%RH]."""
    return uncertainty + allowance if soaked else uncertainty


def quadrature(*uncertainties: float) -> float:
    """Return U of a sum or difference of independent channels.

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.2.
    """
    return math.hypot(*uncertainties)


def same_channel_difference(uncertainty: float, repeat: float | None = None) -> float:
    """Return U of a difference that one channel took at two times, free of its offset.

    The catalogue's repeatability and linearity part where it is known, else a third of U (common practice, no source).
    """
    return uncertainty * SAME_CHANNEL_PART if repeat is None else repeat
