"""Sunrise, sunset and day length anywhere, on any date.

The sun's place is that of the low-precision formulas of the Astronomical Almanac (U.S. Nautical Almanac Office, section
C, "Low-precision formulas for the Sun's coordinates"): within 0.01° from 1950 to 2050. The sun rises and sets when its
upper limb stands on a level horizon, its centre 50 arc minutes below it with the refraction of mean air; hills, and air
that is not mean, move that by minutes.
"""

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Final

from service.climate.ranges import DAY_MS, HOUR_MS, require_within

HORIZON_DEGREES: Final = -50.0 / 60.0
"""Height of the sun's centre at sunrise: 34' of refraction and 16' of half its disc, the almanac's convention [°]."""
_J2000_MS: Final = int(datetime(2000, 1, 1, 12, tzinfo=UTC).timestamp() * 1000)
_ROUNDS: Final = 3
"""The sun moves on while it climbs: rise and set are found for its place then."""


@dataclass(frozen=True, slots=True)
class SunDay:
    """The sun over one place on one date.

    Attributes
    ----------
    rises_ms, sets_ms : int or None
        None on a day that is all light or all dark. [ms, UTC]
    highest_ms : int
        When it stands in the meridian. [ms, UTC]
    hours : float
        From sunrise to sunset, 24 or 0 where there is neither. [h]
    """

    rises_ms: int | None
    sets_ms: int | None
    highest_ms: int
    hours: float


def _place_of_sun(at_ms: float) -> tuple[float, float]:
    """Return the sun's declination [rad] and the equation of time [h] at an instant [ms, UTC]."""
    days = (at_ms - _J2000_MS) / DAY_MS
    mean_longitude = math.radians((280.460 + 0.9856474 * days) % 360.0)
    anomaly = math.radians((357.528 + 0.9856003 * days) % 360.0)
    longitude = mean_longitude + math.radians(1.915 * math.sin(anomaly) + 0.020 * math.sin(2 * anomaly))
    tilt = math.radians(23.439 - 0.0000004 * days)
    ascension = math.atan2(math.cos(tilt) * math.sin(longitude), math.cos(longitude))
    ahead = (mean_longitude - ascension + math.pi) % (2 * math.pi) - math.pi
    return math.asin(math.sin(tilt) * math.sin(longitude)), math.degrees(ahead) / 15.0


def _half_day(latitude: float, declination: float, height: float) -> float | None:
    """Return the hours from the meridian to a height [°]; None when the sun does not cross it."""
    phi, horizon = math.radians(latitude), math.radians(height)
    across = math.cos(phi) * math.cos(declination)
    cosine = (math.sin(horizon) - math.sin(phi) * math.sin(declination)) / max(across, 1e-12)
    return math.degrees(math.acos(cosine)) / 15.0 if -1.0 <= cosine <= 1.0 else None


def sun_day(latitude: float, longitude: float, day: date, height: float = HORIZON_DEGREES) -> SunDay:
    """Return sunrise, sunset and day length.

    Parameters
    ----------
    latitude, longitude : float
        −90 to 90 and −180 to 180, north and east positive. [°]
    day : date
        By the sun's own clock there: the day around the noon of the place's longitude.
    height : float
        Of the sun's centre when it rises and sets; 0 for geometry alone. [°]

    Returns
    -------
    SunDay
        Within about 20 s of a precise ephemeris below 60° of latitude, where the sun crosses the horizon steeply.

    Raises
    ------
    OutOfRangeError
        If latitude or longitude lies outside its range.
    ValueError
        If either is NaN: there is no such place.

    References
    ----------
    .. [1] The Astronomical Almanac, section C, low-precision formulas for the Sun's coordinates.
    .. [2] J. Meeus, Astronomical Algorithms, chapter 15, rising, transit and setting.
    """
    require_within("latitude", latitude, -90, 90, "°")
    require_within("longitude", longitude, -180, 180, "°")
    if math.isnan(latitude) or math.isnan(longitude):
        raise ValueError(f"latitude is {latitude}, longitude {longitude}, expected numbers")
    noon_ms = int(datetime(day.year, day.month, day.day, 12, tzinfo=UTC).timestamp() * 1000) - longitude / 15 * HOUR_MS
    highest = noon_ms
    for _ in range(_ROUNDS):
        highest = noon_ms - _place_of_sun(highest)[1] * HOUR_MS
    rises, sets = (_crossing(latitude, noon_ms, highest, side, height) for side in (-1, 1))
    if rises is None or sets is None:
        up = math.radians(latitude) * _place_of_sun(highest)[0] > 0
        return SunDay(None, None, round(highest), 24.0 if up else 0.0)
    return SunDay(round(rises), round(sets), round(highest), (sets - rises) / HOUR_MS)


def _crossing(latitude: float, noon_ms: float, highest_ms: float, side: int, height: float) -> float | None:
    """Return when the sun crosses a height before (−1) or after (1) its highest; None when it does not [ms, UTC]."""
    at = highest_ms
    for _ in range(_ROUNDS):
        declination, ahead = _place_of_sun(at)
        half = _half_day(latitude, declination, height)
        if half is None:
            return None
        at = noon_ms + (side * half - ahead) * HOUR_MS
    return at


def day_length(latitude: float, day: date) -> float:
    """Return the hours from sunrise to sunset at a latitude on a date, 0 to 24; see `sun_day` [h]."""
    return sun_day(latitude, 0.0, day).hours
