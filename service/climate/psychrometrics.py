"""Moist air: what temperature and relative humidity say about the water in it.

All functions take floats or arrays of any shape, which broadcast, and return float64 arrays. NaN in, NaN out.
"""

from typing import Final

import numpy as np
import numpy.typing as npt

from service.climate.ranges import Floats, require_within

LOWEST_TEMPERATURE: Final = -45.0
"""Lower end of the saturation formula over water [°C]."""
HIGHEST_TEMPERATURE: Final = 60.0
"""Upper end of the saturation formula over water [°C]."""
ZERO_CELSIUS: Final = 273.15
"""[K]"""

# WMO-No. 8, annex 4.B: e_w(t) = 6.112 exp(17.62 t / (243.12 + t)) hPa, over liquid water, pure phase.
_PRESSURE_AT_ZERO: Final = 611.2  # [Pa]
_SLOPE: Final = 17.62  # [1]
_OFFSET: Final = 243.12  # [°C]
# Gas constant of water vapour, 8.314 J/(mol K) over 18.015 g/mol.
_VAPOUR_GAS_CONSTANT: Final = 461.5  # [J/(kg K)]


def _temperatures(air_temperature: npt.ArrayLike) -> Floats:
    values = np.asarray(air_temperature, dtype=np.float64)
    require_within("air_temperature", values, LOWEST_TEMPERATURE, HIGHEST_TEMPERATURE, "°C")
    return values


def _humidities(relative_humidity: npt.ArrayLike) -> Floats:
    values = np.asarray(relative_humidity, dtype=np.float64)
    require_within("relative_humidity", values, 0, 100, "%RH")
    return values


def saturation_pressure(air_temperature: npt.ArrayLike) -> Floats:
    """Return the vapour pressure of saturated air over liquid water.

    Parameters
    ----------
    air_temperature : array_like, any shape
        -45 to 60, NaN where unknown. [°C]

    Returns
    -------
    ndarray, same shape
        Within 0.35 % of IAPWS-95 from 0.01 to 60 °C. [Pa]

    Raises
    ------
    OutOfRangeError
        If a known temperature lies outside the range.

    References
    ----------
    .. [1] WMO, "Guide to Instruments and Methods of Observation," WMO-No. 8, vol. I, annex 4.B.
    """
    t = _temperatures(air_temperature)
    return np.asarray(_PRESSURE_AT_ZERO * np.exp(_SLOPE * t / (_OFFSET + t)))


def vapour_pressure(air_temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike) -> Floats:
    """Return the partial pressure of the water in the air.

    Parameters
    ----------
    air_temperature : array_like, any shape
        -45 to 60, NaN where unknown. [°C]
    relative_humidity : array_like, any shape
        Over liquid water, 0 to 100, NaN where unknown. [%RH]

    Returns
    -------
    ndarray
        It changes only when water enters or leaves the air, not when the air warms or cools. [Pa]

    Raises
    ------
    OutOfRangeError
        If a known value lies outside its range.

    References
    ----------
    .. [1] WMO-No. 8, vol. I, annex 4.B.
    """
    return np.asarray(_humidities(relative_humidity) / 100 * saturation_pressure(air_temperature))


def relative_humidity_of(air_temperature: npt.ArrayLike, vapour_pressure_pa: npt.ArrayLike) -> Floats:
    """Return the relative humidity that a vapour pressure makes at a temperature, not held to 100.

    Parameters
    ----------
    air_temperature : array_like, any shape
        -45 to 60, NaN where unknown. [°C]
    vapour_pressure_pa : array_like, any shape
        Not negative, NaN where unknown. [Pa]

    Returns
    -------
    ndarray
        Above 100 where the air could not hold that much water. [%RH]

    Raises
    ------
    OutOfRangeError
        If a known value lies outside its range.

    References
    ----------
    .. [1] WMO-No. 8, vol. I, annex 4.B.
    """
    pressure = np.asarray(vapour_pressure_pa, dtype=np.float64)
    require_within("vapour_pressure", pressure, 0, np.inf, "Pa")
    return np.asarray(100 * pressure / saturation_pressure(air_temperature))


def dew_point(air_temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike) -> Floats:
    """Return the temperature at which the air, cooled, would be saturated over liquid water.

    Parameters
    ----------
    air_temperature : array_like, any shape
        -45 to 60, NaN where unknown. [°C]
    relative_humidity : array_like, any shape
        Over liquid water, 0 to 100, NaN where unknown. [%RH]

    Returns
    -------
    ndarray
        NaN where an input is NaN, and where the dew point would lie below -45 °C (perfectly dry air has none),
        out of the formula's range. [°C]

    Raises
    ------
    OutOfRangeError
        If a known value lies outside its range.

    References
    ----------
    .. [1] WMO-No. 8, vol. I, annex 4.B: the closed inverse of the saturation formula.
    """
    with np.errstate(divide="ignore"):
        # Dry air gives minus infinity here, and falls out as NaN below.
        ratio = np.log(vapour_pressure(air_temperature, relative_humidity) / _PRESSURE_AT_ZERO)
    finite = np.where(np.isneginf(ratio), np.nan, ratio)
    point = _OFFSET * finite / (_SLOPE - finite)
    return np.asarray(np.where(point < LOWEST_TEMPERATURE, np.nan, point))


def vapour_pressure_deficit(air_temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike) -> Floats:
    """Return how far air is from saturation, as a pressure.

    Parameters
    ----------
    air_temperature : array_like, any shape
        -45 to 60, NaN where unknown. [°C]
    relative_humidity : array_like, any shape
        Over liquid water, 0 to 100, NaN where unknown. [%RH]

    Returns
    -------
    ndarray
        Zero at saturation, never negative. [Pa]

    Raises
    ------
    OutOfRangeError
        If a known value lies outside its range.

    References
    ----------
    .. [1] WMO-No. 8, vol. I, annex 4.B.
    """
    return np.asarray((1 - _humidities(relative_humidity) / 100) * saturation_pressure(air_temperature))


def absolute_humidity(air_temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike) -> Floats:
    """Return the mass of water vapour in a volume of air, taken as an ideal gas.

    Parameters
    ----------
    air_temperature : array_like, any shape
        -45 to 60, NaN where unknown. [°C]
    relative_humidity : array_like, any shape
        Over liquid water, 0 to 100, NaN where unknown. [%RH]

    Returns
    -------
    ndarray
        Real moist air holds about 0.5 % more (the enhancement factor, left out here). [g/m³]

    Raises
    ------
    OutOfRangeError
        If a known value lies outside its range.

    References
    ----------
    .. [1] WMO-No. 8, vol. I, annex 4.B, with the ideal gas law and 461.5 J/(kg K) for water vapour.
    """
    kelvin = _temperatures(air_temperature) + ZERO_CELSIUS
    pressure = vapour_pressure(air_temperature, relative_humidity)
    return np.asarray(1000 * pressure / (_VAPOUR_GAS_CONSTANT * kelvin))
