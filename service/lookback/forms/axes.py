"""The frame of a drawing: where times and values lie, with ticks that a person reads."""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from service.climate.day_cycle import local_day
from service.lookback.degrees import celsius, fahrenheit
from service.lookback.forms.svg import HAIR, INK, SOFT, element, text
from service.lookback.words import day_words
from service.model import from_ms

WIDTH: Final = 720.0
LEFT, RIGHT = 40.0, 10.0
_MOST_DATES: Final = 9
_STEPS: Final = (1, 2, 5, 10, 20, 50)
_MOST_LEVELS: Final = 6


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """Local time from left to right over [start_ms, end_ms)."""

    start_ms: int
    end_ms: int
    zone: ZoneInfo

    def x(self, at_ms: float) -> float:
        """Return where an instant lies."""
        share = (at_ms - self.start_ms) / max(1, self.end_ms - self.start_ms)
        return LEFT + (WIDTH - LEFT - RIGHT) * min(1.0, max(0.0, share))

    def day(self, day: date) -> tuple[float, float]:
        """Return where a local day begins and ends."""
        start, end = local_day(day, self.zone)
        return self.x(start), self.x(end)

    def dates(self) -> list[date]:
        """Return the dates that are written: at most some nine."""
        first, last = (from_ms(at).astimezone(self.zone).date() for at in (self.start_ms, self.end_ms - 1))
        days = (last - first).days + 1
        step = max(1, -(-days // _MOST_DATES))
        return [first + timedelta(days=number) for number in range(0, days, step)]

    def ticks(self, top: float, bottom: float) -> list[str]:
        """Return the dates below a drawing, with a thin line at each midnight that is written."""
        parts: list[str] = []
        for day in self.dates():
            x = self.day(day)[0]
            parts.append(element("line", x1=x, x2=x, y1=top, y2=bottom, stroke=HAIR, stroke_width=0.6))
            if x < WIDTH - 72:
                parts.append(text(x + 2, bottom + 12, day_words(day), fill=SOFT))
        return parts


@dataclass(frozen=True, slots=True)
class ValueAxis:
    """Values from `low` at the foot to `high` at the head of a panel."""

    low: float
    high: float
    top: float
    height: float

    def y(self, value: float) -> float:
        """Return where a value lies."""
        share = (value - self.low) / max(1e-9, self.high - self.low)
        return self.top + self.height * (1 - min(1.0, max(0.0, share)))

    def ticks(self, unit: str) -> list[str]:
        """Return level lines with their values; the axis lies in °C where they are written in °F."""
        low, high = (fahrenheit(end) if unit == "°F" else end for end in (self.low, self.high))
        step = next((s for s in _STEPS if (high - low) / s <= _MOST_LEVELS), _STEPS[-1])
        parts: list[str] = []
        for level in np.arange(np.ceil(low / step) * step, high + 1e-9, step):
            y = self.y(celsius(float(level)) if unit == "°F" else float(level))
            parts.append(element("line", x1=LEFT, x2=WIDTH - RIGHT, y1=y, y2=y, stroke=HAIR, stroke_width=0.5))
            parts.append(text(LEFT - 4, y + 4, f"{level:.0f}", fill=SOFT, text_anchor="end"))
        parts.append(text(LEFT - 4, self.top - 4, unit, fill=SOFT, text_anchor="end"))
        return parts


def axis_for(values: list[float], top: float, height: float, *, humidity: bool = False) -> ValueAxis:
    """Return an axis that holds values, with a little room."""
    known = [value for value in values if np.isfinite(value)] or [0.0, 1.0]
    room = max(1.0, 0.06 * (max(known) - min(known)))
    low, high = min(known) - room, max(known) + room
    return ValueAxis(max(0.0, low), min(101.0, high), top, height) if humidity else ValueAxis(low, high, top, height)


def frame(top: float, height: float) -> str:
    """Return the border of a panel."""
    wide = WIDTH - LEFT - RIGHT
    return element("rect", x=LEFT, y=top, width=wide, height=height, fill="none", stroke=INK, stroke_width=0.7)
