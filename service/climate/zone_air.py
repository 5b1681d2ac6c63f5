"""The air of one zone: humidity and temperature, paired, with the water that they say it holds."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from service.climate.day_cycle import Span
from service.climate.day_view import Channel, DayView
from service.climate.psychrometrics import HIGHEST_TEMPERATURE, LOWEST_TEMPERATURE, saturation_pressure
from service.climate.ranges import Floats, Instants
from service.climate.series import LEAST_COVERAGE, Series, cover, pair

HUMIDITY_ZONES: Final = ("ambient", "canopy", "cool-end", "warm-end", "basking", "egg-chamber")
"""Humidity is that of the first of these zones that has a channel; a moist retreat stands for itself alone."""


@dataclass(frozen=True, eq=False)
class ZoneAir:
    """Humidity and temperature of one zone at the times of the humidity channel.

    Parameters
    ----------
    at : ndarray of int64, shape (n,)
        [ms, UTC]
    humidity, temperature : ndarray of float64, shape (n,)
        NaN in both where either is not known. [%RH], [°C]
    cadence_ms : int
        Of the humidity channel. [ms]
    humidity_repeat, temperature_repeat : float
        U of a difference at two times, k = 2. [%RH], [°C]
    zone : str
    channels : tuple of str
    """

    at: Instants
    humidity: Floats
    temperature: Floats
    cadence_ms: int
    humidity_repeat: float
    temperature_repeat: float
    zone: str = ""
    channels: tuple[str, ...] = ()

    @cached_property
    def saturation(self) -> Floats:
        """Vapour pressure of saturated air at each temperature, shape (n,) [Pa]."""
        return saturation_pressure(self.temperature)

    @cached_property
    def vapour(self) -> Series:
        """Vapour pressure [Pa]."""
        return Series(self.at, self.humidity / 100 * self.saturation, self.cadence_ms)

    @cached_property
    def series(self) -> Series:
        """Humidity where temperature is known beside it [%RH]."""
        return Series(self.at, self.humidity, self.cadence_ms)

    def added_humidity(self, baseline: float | Floats, part: slice | Instants) -> Floats:
        """Return the RH points beyond what the baseline's water shows at the temperatures of a part of the readings.

        Parameters
        ----------
        baseline : float or ndarray, shape of the part
            Vapour pressure. [Pa]
        part : slice or ndarray of indices
            Which readings.

        Returns
        -------
        ndarray
            Zero while no water moves, however the air warms or cools; NaN where not known. [%RH]
        """
        expected = np.minimum(100.0, 100 * baseline / self.saturation[part])
        return np.asarray(self.humidity[part] - expected)


def zone_air(
    humidity: Channel | Series,
    temperature: Channel | Series,
    uncertainty: float = 0.0,
    humidity_repeat: float | None = None,
    temperature_repeat: float | None = None,
) -> ZoneAir:
    """Pair a humidity and a temperature channel of one zone.

    Parameters
    ----------
    humidity, temperature : Channel or Series
        [%RH], [°C]
    uncertainty : float
        Of a bare humidity series; a channel brings its own. [%RH]
    humidity_repeat, temperature_repeat : float, optional
        Of bare series; channels bring their own. [%RH], [°C]

    Returns
    -------
    ZoneAir
        A corrected humidity above 100 or below 0 by no more than its U is taken as 100 or 0, which it may well be; one
        further out, and a temperature outside the saturation formula's range, is not known.
    """
    wet = humidity.series if isinstance(humidity, Channel) else humidity
    warm = temperature.series if isinstance(temperature, Channel) else temperature
    at, rh, t = pair(wet, warm)
    slack = humidity.uncertainty if isinstance(humidity, Channel) else uncertainty
    possible = (rh >= -slack) & (rh <= 100 + slack) & (t >= LOWEST_TEMPERATURE) & (t <= HIGHEST_TEMPERATURE)
    repeats = [
        channel.repeat_uncertainty if isinstance(channel, Channel) else (given or 0.0)
        for channel, given in ((humidity, humidity_repeat), (temperature, temperature_repeat))
    ]
    keys = tuple(c.key for c in (humidity, temperature) if isinstance(c, Channel))
    zone = humidity.zone if isinstance(humidity, Channel) else ""
    bounded = np.where(possible, np.clip(rh, 0.0, 100.0), np.nan)
    return ZoneAir(at, bounded, np.where(possible, t, np.nan), wet.cadence_ms, repeats[0], repeats[1], zone, keys)


def air_of(view: DayView) -> ZoneAir | str:
    """Return the air in which an enclosure's misting is judged, or the reason why there is none.

    The first zone of `HUMIDITY_ZONES` with humidity and air temperature, in it the humidity channel with the least
    uncertainty that covers the day so far together with its temperature; where none does, the one that covers most.
    """
    channels = view.day.channels
    so_far = view.reach((view.day.start_ms, view.day.end_ms)).spans
    reason = "no humidity channel in the enclosure's air"
    for zone in HUMIDITY_ZONES:
        here = [c for c in channels if c.zone == zone]
        humid = [c for c in here if c.quantity == "relative_humidity"]
        pairs = [(h, t) for h in humid for t in here if t.quantity == "air_temperature"]
        if pairs:
            return _most_certain(pairs, so_far)
        if humid:
            reason = f"no air temperature beside the humidity at the {zone.replace('-', ' ')}"
    return reason


def _most_certain(pairs: Sequence[tuple[Channel, Channel]], so_far: Sequence[Span]) -> ZoneAir:
    """Return the air of the first pair that covers: least uncertain humidity, its own probe's temperature first."""
    ordered = sorted(pairs, key=lambda p: (p[0].uncertainty, p[0].key, p[1].probe != p[0].probe, p[1].uncertainty))
    airs = [zone_air(h, t) for h, t in ordered]
    if len(airs) == 1:
        return airs[0]
    covered = [cover(air.series, so_far).coverage for air in airs]
    enough = (air for air, share in zip(airs, covered, strict=True) if share >= LEAST_COVERAGE)
    return next(enough, airs[covered.index(max(covered))])
