"""What a channel said in the days before the readings at hand, hour by hour.

It follows from the stored readings alone, and is read again after a restart.
"""

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from service.climate.lamp_light import LEVEL_DAYS, Hours, hours_of, joined_hours
from service.climate.ranges import DAY_MS, HOUR_MS, Floats, Instants
from service.climate.trend import HEADING_DAY_HOURS

_EMPTY: Final = Hours(np.empty(0, dtype=np.int64), np.empty(0), np.empty(0))
_LIGHT_KEEPS_MS: Final = (LEVEL_DAYS + 1) * DAY_MS
_HEAT_KEEPS_MS: Final = (HEADING_DAY_HOURS + 2) * HOUR_MS


@dataclass(slots=True)
class ChannelPast:
    """The hours of one channel at one place.

    Attributes
    ----------
    place : tuple of int and str, or None
        Enclosure and zone.
    hours : Hours
    """

    place: tuple[int, str] | None = None
    hours: Hours = field(default_factory=lambda: _EMPTY)

    def take(self, place: tuple[int, str], at: Instants, value: Floats) -> None:
        """Add new readings; at another place everything begins anew."""
        if place != self.place:
            self.place, self.hours = place, _EMPTY
        self.hours = joined_hours(self.hours, hours_of(at, value))

    def cut(self, from_ms: int) -> None:
        """Let go the hours that begin at or after an instant: they are lived through again. [ms since 1970, UTC]."""
        kept = int(np.searchsorted(self.hours.start, from_ms))
        self.hours = Hours(self.hours.start[:kept], self.hours.first[:kept], self.hours.highest[:kept])

    def forget(self, quantity: str) -> None:
        """Let go what no condition looks at any more."""
        if len(self.hours.start):
            self.hours = self.hours.since(int(self.hours.start[-1]) - keeps_ms(quantity))


def keeps_ms(quantity: str) -> int:
    """Return how far back conditions look at a channel of a quantity [ms]."""
    return _LIGHT_KEEPS_MS if quantity == "illuminance" else _HEAT_KEEPS_MS


def has_past(quantity: str, zone: str) -> bool:
    """Whether a condition of that place looks at the days before: light, and the heat of a basking spot."""
    return quantity == "illuminance" or (zone == "basking" and quantity in {"air_temperature", "surface_temperature"})
