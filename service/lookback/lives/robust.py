"""Medians and spreads that one odd day does not move (pure)."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

NORMAL_CONSISTENT: Final = 1.482602218505602
"""1 / Φ⁻¹(3/4): the median absolute deviation times this estimates the standard deviation of a normal sample."""
TOLD_SPREADS: Final = 3.0
"""A difference of medians is told from so many spreads on (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Middle:
    """The middle of several numbers.

    Attributes
    ----------
    median : float
        NaN of none. [their unit]
    spread : float
        Median absolute deviation from it × 1.4826; NaN of none, 0 of one. [their unit]
    count : int
    """

    median: float
    spread: float
    count: int


def middle_of(values: Iterable[float]) -> Middle:
    """Return the median and the spread of numbers; NaN are left out.

    References
    ----------
    .. [1] F. R. Hampel, "The influence curve and its role in robust estimation," J. Am. Stat. Assoc. 69 (1974) 383-393.
    """
    known = np.array([value for value in values if not np.isnan(value)], dtype=float)
    if not known.size:
        return Middle(float("nan"), float("nan"), 0)
    median = float(np.median(known))
    return Middle(median, float(np.median(np.abs(known - median))) * NORMAL_CONSISTENT, int(known.size))


def is_apart(first: Middle, second: Middle, uncertainty: float) -> bool:
    """Say whether two medians differ by more than their spread and their measurement explain.

    Parameters
    ----------
    first, second : Middle
    uncertainty : float
        Of the difference, expanded. [unit]
    """
    if not first.count or not second.count:
        return False
    return abs(first.median - second.median) > max(uncertainty, TOLD_SPREADS * second.spread)
