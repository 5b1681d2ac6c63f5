"""What of a response to misting is no water: the noise of the air before it, and what the probes may be off by."""

from typing import Final

import numpy as np

from service.climate.psychrometrics import HIGHEST_TEMPERATURE, saturation_pressure
from service.climate.ranges import MINUTE_MS
from service.climate.series import median_of
from service.climate.uncertainty import quadrature
from service.climate.zone_air import ZoneAir

# All of these: common practice, no source.
NOISE_MIN: Final = 30
LEAST_NOISE: Final = 2.0
"""What counts as noise at the least [%RH]."""
NOISE_DEVIATIONS: Final = 3.0
_DEVIATION_OF_MAD: Final = 1.4826
"""Standard deviation over the median absolute deviation of a normal distribution."""


def readings_within(air: ZoneAir, start_ms: int, end_ms: int) -> slice:
    """Return which readings lie in [start, end) [ms, UTC]."""
    first, last = air.at.searchsorted((start_ms, end_ms))
    return slice(int(first), int(last))


def noise_before(air: ZoneAir, start_ms: int, baseline: float) -> float:
    """Return three robust standard deviations of added humidity over the 30 min before a cycle [%RH].

    About its line where that falls: air that dries down from an earlier cycle is no noise, and cannot feign a response.
    A rise is left in, since it may go on.

    Parameters
    ----------
    air : ZoneAir
    start_ms : int
        The cycle's. [ms, UTC]
    baseline : float
        Vapour pressure. [Pa]
    """
    part = readings_within(air, start_ms - NOISE_MIN * MINUTE_MS, start_ms)
    before = air.added_humidity(baseline, part)
    is_known = ~np.isnan(before)
    known = before[is_known]
    if not known.size:
        return LEAST_NOISE
    minutes = (air.at[part][is_known] - start_ms) / MINUTE_MS
    since = minutes - minutes.mean()
    fall = min(0.0, float(since @ known) / max(1e-9, float(since @ since)))
    level = known - fall * since
    deviation = _DEVIATION_OF_MAD * median_of(np.abs(level - median_of(level)))
    return max(LEAST_NOISE, NOISE_DEVIATIONS * deviation)


def response_uncertainty(air: ZoneAir, peak: int, baseline: float) -> float:
    """Return U of added humidity at a reading: of RH, and of temperature by finite difference [%RH].

    Parameters
    ----------
    air : ZoneAir
    peak : int
        The index of the reading.
    baseline : float
        Vapour pressure. [Pa]
    """
    here = min(100.0, 100 * baseline / float(air.saturation[peak]))
    # At the top of the formula's range the step goes down: the slope is the same.
    temperature = float(air.temperature[peak])
    step = air.temperature_repeat if temperature + air.temperature_repeat <= HIGHEST_TEMPERATURE else -0.1
    there = min(100.0, 100 * baseline / float(saturation_pressure(temperature + step)))
    slope = abs(there - here) / abs(step) if step else 0.0
    return quadrature(air.humidity_repeat, slope * air.temperature_repeat)
