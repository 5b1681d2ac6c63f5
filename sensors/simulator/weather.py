"""The room around the enclosures, and the weather around the room: each day its own.

The weather is a pure function of the seed and of absolute time; the room keeps a state, so that a run can go on.
"""

from dataclasses import dataclass
from math import exp, pi

import numpy as np

from sensors.simulator.moist_air import Floats, saturation_density
from sensors.simulator.scene import RoomClimate

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
# An air mass stays for days: each day's anomaly holds on from the days before (weights of white noise, [°C]).
_PERSISTENCE = 1.8 * 0.72 ** np.arange(10)
_CLOUD_STREAM, _AIR_STREAM, _DRAUGHT_STREAM = 101, 102, 103
_LOGIT_OF_CLOUD = 1.3
_OUTSIDE_HOURS = 3.0  # How long the ground keeps the day's warmth. [h]
_DAY_FROM, _DAY_UNTIL = 7.0, 21.0  # Of the room's heating, local. [h]
_OUTSIDE_RH = 0.68


@dataclass(slots=True)
class RoomAir:
    """The room's state: its air, the outside air near the ground, the vapour in it. [°C], [°C], [kg/m³]."""

    temperature: float
    outside: float
    vapour: float


def _white(seed: int, stream: int, days: np.ndarray, per_day: int) -> Floats:
    """Return standard normal noise for each of `days`, shape (days, per_day); the same for a day whenever asked."""
    return np.array([np.random.default_rng([seed, stream, int(day)]).standard_normal(per_day) for day in days])


def _hourly(seed: int, stream: int, times_ms: np.ndarray) -> Floats:
    """Return noise that wanders from hour to hour, interpolated to `times_ms`."""
    first, last = int(times_ms[0] // DAY_MS), int(times_ms[-1] // DAY_MS) + 1
    noise = _white(seed, stream, np.arange(first, last + 1), 24).ravel()
    hours = first * DAY_MS + HOUR_MS * np.arange(noise.size)
    return np.interp(times_ms, hours, noise)


def _air_mass(seed: int, climate: RoomClimate, times_ms: np.ndarray) -> Floats:
    """Return the temperature that the weather brings before sun and ground work on it. [°C]."""
    first, last = int(times_ms[0] // DAY_MS), int(times_ms[-1] // DAY_MS) + 1
    reach = len(_PERSISTENCE) - 1
    white = _white(seed, _AIR_STREAM, np.arange(first - reach, last + 1), 1)[:, 0]
    anomaly = np.convolve(white, _PERSISTENCE, mode="valid")
    noons = DAY_MS * np.arange(first, last + 1)
    season = climate.yearly_swing * np.cos(2.0 * pi * (times_ms / DAY_MS / 365.25 - 205.0 / 365.25))
    hemisphere = 1.0 if climate.latitude >= 0 else -1.0
    return climate.yearly_mean + hemisphere * season + np.interp(times_ms, noons, anomaly)


def sunshine(seed: int, climate: RoomClimate, times_ms: np.ndarray) -> Floats:
    """Return the sun's strength on level ground as a share of a zenith sun in clear air.

    Parameters
    ----------
    seed : int
    climate : RoomClimate
        Its latitude and longitude count.
    times_ms : ndarray, shape (steps,)
        UTC, rising. [ms]

    Returns
    -------
    ndarray, shape (steps,)
        0 at night, at most 1.

    References
    ----------
    .. [1] Declination after Cooper (1969); the equation of time is left out (15 min at most).
    """
    day_of_year = times_ms / DAY_MS % 365.25
    declination = np.radians(23.45) * np.sin(2.0 * pi * (284.0 + day_of_year) / 365.0)
    hour_angle = 2.0 * pi * (times_ms / DAY_MS % 1.0 - 0.5) + np.radians(climate.longitude)
    latitude = np.radians(climate.latitude)
    height = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(hour_angle)
    cloud = 1.0 / (1.0 + np.exp(-_LOGIT_OF_CLOUD * _hourly(seed, _CLOUD_STREAM, times_ms)))
    return np.maximum(0.0, height) * (1.0 - 0.75 * cloud)


def start_of_room(climate: RoomClimate) -> RoomAir:
    """Return the state that a run starts from, before its settling days."""
    vapour = 0.5 * float(saturation_density(np.array(climate.heating_night)))
    return RoomAir(climate.heating_night, climate.yearly_mean, vapour)


def run_room(
    seed: int,
    climate: RoomClimate,
    state: RoomAir,
    times_ms: np.ndarray,
    step_ms: int,
    local_hour: Floats,
    lit_share: Floats,
) -> tuple[Floats, Floats, Floats]:
    """Carry the room's air on.

    Parameters
    ----------
    seed : int
    climate : RoomClimate
    state : RoomAir
        Changed in place.
    times_ms : ndarray, shape (steps,)
        UTC, one at the beginning of each step. [ms]
    step_ms : int
        [ms]
    local_hour, lit_share : ndarray, shape (steps,)
        Wall-clock hour of the day, and share of the enclosures whose lights are on.

    Returns
    -------
    temperature, vapour, sun : ndarray, shape (steps,)
        [°C], [kg/m³], and the share of a full sun.
    """
    sun = sunshine(seed, climate, times_ms)
    hours = step_ms / HOUR_MS
    draught = 0.15 * _hourly(seed, _DRAUGHT_STREAM, times_ms)
    ground = _air_mass(seed, climate, times_ms) + climate.day_swing * (sun - 0.3)
    by_day = (local_hour >= _DAY_FROM) & (local_hour < _DAY_UNTIL)
    setting = np.where(by_day, climate.heating_day, climate.heating_night)
    gains = climate.solar_gain * sun + climate.enclosure_gain * lit_share + draught
    temperature, outside = _room_temperatures(climate, state, hours, ground, setting, gains)
    vapour = _room_vapour(climate, state, hours, outside, temperature)
    return temperature, vapour, sun


def _room_temperatures(
    climate: RoomClimate, state: RoomAir, hours: float, ground: Floats, setting: Floats, gains: Floats
) -> tuple[Floats, Floats]:
    """Step the outside air near the ground and the room's air; plain floats are the quickest for two numbers."""
    inside, outside = np.empty(ground.size), np.empty(ground.size)
    room, near = state.temperature, state.outside
    follow = 1.0 - exp(-hours / _OUTSIDE_HOURS)
    for step, (target, wanted, gain) in enumerate(zip(ground.tolist(), setting.tolist(), gains.tolist(), strict=True)):
        near += (target - near) * follow
        heating = min(1.0, max(0.0, (wanted - room) / 0.8)) * climate.heating_power
        opened = min(1.0, max(0.0, (room - climate.vent_above) / 2.0))
        loss = (room - near) * (1.0 / climate.loss_hours + opened / 0.7)
        cooling = min(1.0, max(0.0, (room - climate.cooling_above) / 0.8)) * climate.cooling_power
        room += (gain + heating - cooling - loss) * hours
        inside[step], outside[step] = room, near
    state.temperature, state.outside = room, near
    return inside, outside


def _room_vapour(climate: RoomClimate, state: RoomAir, hours: float, outside: Floats, inside: Floats) -> Floats:
    """Step the room's vapour: outside air comes in, plants add, a dehumidifier takes what is too much."""
    fresh = (_OUTSIDE_RH * saturation_density(outside)).tolist()
    most = (climate.highest_humidity / 100.0 * saturation_density(inside)).tolist()
    added = climate.moisture_gain * 1e-3 * hours
    exchange = 1.0 - exp(-climate.air_changes * hours)
    vapour = np.empty(inside.size)
    held = state.vapour
    for step, (coming, ceiling) in enumerate(zip(fresh, most, strict=True)):
        held = min(held + (coming - held) * exchange + added, ceiling)
        vapour[step] = held
    state.vapour = held
    return vapour
