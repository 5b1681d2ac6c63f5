"""Where a value is heading: the least-squares line through its last readings."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from service.climate.ranges import MINUTE_MS
from service.climate.series import Series

# All of these: common practice, no source.
HEADING_WINDOW_MIN: Final = 10
HEADING_WITHIN_MIN: Final = 10
HEADING_LEAST_READINGS: Final = 5
HEADING_STANDARD_ERRORS: Final = 3
HEADING_LOOKS_BACK_MIN: Final = 60
"""A thermostat's swing is shorter than this: what the spot reached within it is no news [min]."""
HEADING_DAY_HOURS: Final = 25
"""A spot that warmed as high within a day and an hour, and stopped below its ceiling, warms as it does each day [h]."""
HEADING_NEW_HIGHS: Final = 3
"""So many last readings lie above all of that time before, or noise alone may have set a new high."""
_LEAST_READINGS: Final = 3
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


def minutes_to_ceiling(
    series: Series, now_ms: int, band_high: float, ceiling: float, day_high: float = -math.inf
) -> float | None:
    """Return when a basking zone that is already too hot will cross its ceiling, None when it is not heading there.

    Parameters
    ----------
    series : Series
        Temperature of the basking zone. [°C]
    now_ms : int
        Later readings are not used. [ms, UTC]
    band_high : float
        Upper end of the hot spot: below or at it an ordinary warm-up is under way. [°C]
    ceiling : float
        [°C]
    day_high : float
        The greatest reading of the day before that hour. Above the ceiling it is no measure of what is usual. [°C]

    Returns
    -------
    float or None
        At most 10, zero when the line is at the ceiling already. None unless the last 3 readings lie above the band,
        the line through 5 or more readings of the last 10 min rises by over 3 standard errors of its slope, and
        those 3 lie above all older ones of the last hour and above the day before: a thermostat's swing, and the
        overshoot of an ordinary warm-up, rise as steeply, but to where the spot has been already (common practice, no
        source). [min]
    """
    trend = trend_of(series, now_ms, HEADING_WINDOW_MIN)
    last = int(np.searchsorted(series.at, now_ms, "right")) - 1
    if last < 0 or not series.value[last] > band_high or trend.readings < HEADING_LEAST_READINGS:
        return None
    if trend.slope <= HEADING_STANDARD_ERRORS * trend.standard_error:
        return None
    if not _is_new_high(series, now_ms, max(band_high, day_high) if day_high <= ceiling else band_high):
        return None
    minutes = max(0.0, trend.minutes_until(ceiling)) if trend.level < ceiling else 0.0
    return minutes if minutes <= HEADING_WITHIN_MIN else None


def _is_new_high(series: Series, now_ms: int, usual: float) -> bool:
    """Say whether the last readings lie above what is usual, and above all of the hour that is older than the line."""
    edges = now_ms - HEADING_LOOKS_BACK_MIN * MINUTE_MS, now_ms - HEADING_WINDOW_MIN * MINUTE_MS, now_ms
    first, line, last = (int(edge) for edge in np.searchsorted(series.at, edges, "right"))
    before, value = series.value[first:line], series.value[line:last]
    lowest = float(value[~np.isnan(value)][-HEADING_NEW_HIGHS:].min())
    return lowest > float(np.fmax.reduce(before, initial=usual))


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
