"""What the other channels say of a condition: likely causes as sentences, never as certainties."""

from typing import Final

import numpy as np

from service.climate.ranges import MINUTE_MS
from service.climate.series import Series, cover
from service.climate.trend import trend_of
from service.climate.zone_air import zone_air

# All of these: common practice, no source.
TREND_MIN: Final = 60
"""Whether something is rising or falling is judged over this long [min]."""
CLEAR_STANDARD_ERRORS: Final = 3.0
RISING_AN_HOUR: Final = 1.0
"""A slower change of temperature is no change [°C/h]."""
HUMIDITY_FALLING_AN_HOUR: Final = 3.0
"""[%RH/h]"""
VAPOUR_FALLING_SHARE: Final = 0.05
"""Vapour pressure that falls by less than this part of itself in an hour is steady."""
LAMP_OUT_WITHIN_MIN: Final = 10
NEAR_AMBIENT: Final = 3.0
"""A basking zone this close to ambient has no lamp on it [°C]."""

WHOLE_ENCLOSURE: Final = "Likely the whole enclosure is warming: look at ventilation and at the room's temperature."
BASKING_ALONE: Final = "Only the basking zone is hot: likely lamp too close, bulb changed, or thermostat probe moved."
LAMP_OUT: Final = "The basking zone fell to ambient within minutes while the lights should be on: likely lamp out."
DRYING: Final = "Water is leaving the air: likely drying."
WARMING: Final = "The water in the air is steady: likely warming, not drying."


def _change_an_hour(series: Series, now_ms: int) -> float:
    """Return a clear change of the last hour [unit/h]: 0 when it is within its error, NaN when too little is known."""
    trend = trend_of(series, now_ms, TREND_MIN)
    clear = abs(trend.slope) > CLEAR_STANDARD_ERRORS * trend.standard_error
    return trend.slope * 60 if clear or np.isnan(trend.slope) else 0.0


def cause_of_overheating(ambient: Series | None, now_ms: int) -> str:
    """Say whether an overheating basking zone heats alone or with its enclosure.

    Parameters
    ----------
    ambient : Series or None
        Ambient temperature, up to now. [°C]
    now_ms : int
        [ms, UTC]

    Returns
    -------
    str
        Empty when ambient is not known.
    """
    change = _change_an_hour(ambient, now_ms) if ambient is not None else float("nan")
    if np.isnan(change):
        return ""
    return WHOLE_ENCLOSURE if change >= RISING_AN_HOUR else BASKING_ALONE


def cause_of_cooling(basking: Series, ambient: Series | None, now_ms: int, lights_should_be_on: bool) -> str:
    """Say whether a cold basking zone has lost its lamp.

    Parameters
    ----------
    basking, ambient : Series
        Temperatures, up to now. [°C]
    now_ms : int
        [ms, UTC]
    lights_should_be_on : bool

    Returns
    -------
    str
        Empty unless the basking zone stands near ambient and fell there within 10 min in the last hour.
    """
    if ambient is None or not lights_should_be_on:
        return ""
    last = cover(ambient, [(now_ms - LAMP_OUT_WITHIN_MIN * MINUTE_MS, now_ms)]).percentile(50)
    known = cover(basking, [(now_ms - MINUTE_MS, now_ms)]).percentile(50)
    if not known <= last + NEAR_AMBIENT:
        return ""
    first = int(np.searchsorted(basking.at, now_ms - TREND_MIN * MINUTE_MS))
    at, value = basking.at[first:], basking.value[first:]
    was_hot, is_cold = value > last + 2 * NEAR_AMBIENT, value <= last + NEAR_AMBIENT
    if not was_hot.any() or not is_cold.any():
        return ""
    hot_until = int(at[np.flatnonzero(was_hot)[-1]])
    cold = at[is_cold & (at > hot_until)]
    return LAMP_OUT if len(cold) and int(cold[0]) - hot_until <= LAMP_OUT_WITHIN_MIN * MINUTE_MS else ""


def cause_of_falling_humidity(humidity: Series, temperature: Series, now_ms: int) -> str:
    """Say whether falling relative humidity means less water, or only warmer air.

    Parameters
    ----------
    humidity, temperature : Series
        Of one zone, up to now. [%RH], [°C]
    now_ms : int
        [ms, UTC]

    Returns
    -------
    str
        Empty when humidity does not fall, or its temperature is not known.
    """
    part = humidity.between(now_ms - TREND_MIN * MINUTE_MS, now_ms + 1)
    air = zone_air(part, temperature)
    if not _change_an_hour(air.series, now_ms) <= -HUMIDITY_FALLING_AN_HOUR:
        return ""
    fall = _change_an_hour(air.vapour, now_ms)
    return DRYING if fall < -VAPOUR_FALLING_SHARE * float(np.nanmedian(air.vapour.value)) else WARMING
