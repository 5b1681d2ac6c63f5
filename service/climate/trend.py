"""Where a value is heading: the least-squares line through its last readings."""

import math
from dataclasses import dataclass

import numpy as np

from service.climate.ranges import MINUTE_MS
from service.climate.series import Series

_LEAST_READINGS = 3
"""A line and its error need one reading more than the line's two parameters."""


@dataclass(frozen=True)
class Trend:
    """A straight line through the last readings.

    Parameters
    ----------
    slope : float
        NaN when too few readings are known. [unit a minute]
    standard_error : float
        Of the slope. [unit a minute]
    level : float
        The line's value at the end of the window. [unit]
    readings : int
    """

    slope: float
    standard_error: float
    level: float
    readings: int

    def minutes_until(self, limit: float) -> float:
        """Return when the line meets a limit: 0 when there, infinite when it moves away or stands still [min]."""
        if math.isnan(self.slope):
            return math.inf
        distance = limit - self.level
        if distance == 0:
            return 0.0
        return distance / self.slope if self.slope * distance > 0 else math.inf


def trend_of(series: Series, now_ms: int, window_min: float) -> Trend:
    """Return the least-squares line through the known readings of (now - window, now].

    Parameters
    ----------
    series : Series
    now_ms : int
        Later readings are not used. [ms, UTC]
    window_min : float
        [min]

    References
    ----------
    .. [1] Ordinary least squares; standard error of the slope from the residuals with n - 2 degrees of freedom.
    """
    first = int(np.searchsorted(series.at, now_ms - int(window_min * MINUTE_MS), "right"))
    last = int(np.searchsorted(series.at, now_ms, "right"))
    value = series.value[first:last]
    known = ~np.isnan(value)
    minute = (series.at[first:last][known] - now_ms) / MINUTE_MS
    value = value[known]
    count = len(value)
    if count < _LEAST_READINGS:
        return Trend(math.nan, math.nan, math.nan, count)
    centred = minute - minute.mean()
    spread = float(centred @ centred)
    slope = float(centred @ value) / spread
    residual = value - value.mean() - slope * centred
    error = math.sqrt(float(residual @ residual) / (count - 2) / spread)
    return Trend(slope, error, float(value.mean()) - slope * float(minute.mean()), count)
