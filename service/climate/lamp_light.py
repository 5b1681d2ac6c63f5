"""How bright a place is while its lamps burn, and so above what a light channel says that they do.

Daylight from a window may pass any fixed threshold. Lamps add to it, so the light of the planned lit hours never falls
below what the lamps give alone, and that is the light of their darkest hours.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from service.climate.day_cycle import LIT_ABOVE_LUX, Span
from service.climate.ranges import DAY_MS, HOUR_MS, Floats, Instants
from service.climate.series import LEAST_COVERAGE

# All of these: common practice, no source.
LEVEL_DAYS: Final = 7
"""Lit times that ended within this many days tell the level: a lamp that fails does not at once become the rule."""
LEVEL_PERCENT: Final = 25.0
"""The lower quartile of a lit time: its darker hours, least helped by the sun, less those of a shadow [%]."""
LIT_SHARE: Final = 0.5
"""Above this share of the level the lamps burn; lamps lose less than that before they are replaced."""


@dataclass(frozen=True, eq=False)
class Hours:
    """What a channel said, hour by hour of UTC; hours without a known reading are left out.

    Parameters
    ----------
    start : ndarray of int64, shape (n,)
        Strictly increasing. [ms, UTC]
    first, highest : ndarray of float64, shape (n,)
        The first reading of each hour and its greatest. [the channel's unit]
    """

    start: Instants
    first: Floats
    highest: Floats

    def since(self, start_ms: int) -> "Hours":
        """Return the hours that begin at or after an instant [ms, UTC]."""
        low = int(np.searchsorted(self.start, start_ms))
        return Hours(self.start[low:], self.first[low:], self.highest[low:])

    def highest_within(self, start_ms: int, end_ms: int) -> float:
        """Return the greatest reading of the hours that lie within [start, end), -inf where there are none."""
        low = int(np.searchsorted(self.start, start_ms))
        high = int(np.searchsorted(self.start, end_ms - HOUR_MS, "right"))
        return float(self.highest[low:high].max()) if high > low else -np.inf


def hours_of(at: npt.NDArray[np.int64], value: Floats) -> Hours:
    """Return a channel's hours.

    Parameters
    ----------
    at : ndarray of int64, shape (n,)
        Strictly increasing. [ms, UTC]
    value : ndarray of float64, shape (n,)
        NaN is left out. [the channel's unit]
    """
    known = ~np.isnan(value)
    at, value = at[known], value[known]
    start, first = np.unique(at - at % HOUR_MS, return_index=True)
    highest = np.maximum.reduceat(value, first) if len(first) else np.empty(0)
    return Hours(start, value[first], highest)


def joined_hours(before: Hours, after: Hours) -> Hours:
    """Return both; the hour that they share has the first reading of the earlier one."""
    if not len(before.start) or not len(after.start):
        return after if not len(before.start) else before
    shared = int(before.start[-1] == after.start[0])
    highest = np.concatenate((before.highest, after.highest[shared:]))
    if shared:
        highest[len(before.start) - 1] = max(before.highest[-1], after.highest[0])
    start = np.concatenate((before.start, after.start[shared:]))
    return Hours(start, np.concatenate((before.first, after.first[shared:])), highest)


def lit_above(hours: Hours, planned: Sequence[Span], now_ms: int, least: float = LIT_ABOVE_LUX) -> float:
    """Return the threshold of a light channel at an instant: half of what the lamps give there, at least the least.

    Parameters
    ----------
    hours : Hours
        Of the channel, from 8 days before now. [lx]
    planned : sequence of (int, int)
        When the lamps were to burn, by the schedule. [ms, UTC]
    now_ms : int
        Lit times that end later are not looked at. [ms, UTC]
    least : float
        Taken too while no lit time is known well enough. [lx]

    Returns
    -------
    float
        The level of a lit time is the lower quartile of the first reading of each of its whole hours, where readings
        exist for 0.75 of them; the highest of the last 7 days counts, since lamps may have failed on the others. [lx]
    """
    levels = [
        level
        for on, off in planned
        if now_ms - LEVEL_DAYS * DAY_MS <= off <= now_ms
        for level in _level(hours, on, off)
    ]
    return max(least, LIT_SHARE * max(levels, default=0.0))


def _level(hours: Hours, on_ms: int, off_ms: int) -> list[float]:
    """Return the level of a lit time, in a list that is empty where too little is known."""
    begins = on_ms + -on_ms % HOUR_MS
    whole = (off_ms - begins) // HOUR_MS
    low, high = (int(edge) for edge in np.searchsorted(hours.start, (begins, begins + whole * HOUR_MS)))
    if whole < 1 or high - low < LEAST_COVERAGE * whole:
        return []
    return [float(np.percentile(hours.first[low:high], LEVEL_PERCENT))]
