"""A typical day as SVG: this week's line over the fan of the months before, on the day's light and dark."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from markupsafe import Markup, escape

from dashboard.figures.plot import Frame, area_path, line_path, paths, percent, ticks
from dashboard.words import DEGREE, HUMIDITY, number
from service.climate.ranges import Floats

_HOURS: Final = 24
_WRITTEN_HOURS: Final = (6, 12, 18)
_ROOM, _FOOT = 0.10, 0.16
"""Room above and below what is drawn, as parts of its height: the hours are written at the foot."""
_LEAST_SPAN: Final = {DEGREE: 4.0, HUMIDITY: 16.0}
"""A picture shows at least so much, so that a calm day looks calm."""


@dataclass(frozen=True, eq=False)
class Pattern:
    """What is drawn.

    Attributes
    ----------
    week, low, high, beyond : ndarray of float64, shape (24,)
        This week, the edges of the fan, and how far the week lies outside it; NaN where not known. [unit]
    lit : sequence of (start, end)
        [local hours]
    bands : sequence of (start, end, low, high)
        Targets. [local hours], [unit]
    unit, family, label : str
        `family` is that of the colour: "warm", "middle", "cool" or "water".
    """

    week: Floats
    low: Floats
    high: Floats
    beyond: Floats
    lit: Sequence[tuple[float, float]]
    bands: Sequence[tuple[float, float, float, float]]
    unit: str
    family: str
    label: str


def draw_pattern(pattern: Pattern) -> Markup:
    """Return the picture, without a size of its own."""
    frame = _frame(pattern)
    at = np.arange(0.5, _HOURS, 1.0, dtype=np.float64)
    fan = area_path(frame, at, pattern.low, pattern.high)
    week = line_path(frame, at, pattern.week)
    parts = [
        f'<svg class="strip plot strip-{pattern.family}" role="img" aria-label="{escape(pattern.label)}"',
        ' width="100%" height="100%">',
        '<rect class="dark" width="100%" height="100%"/>' if pattern.lit else _lightless(),
        "".join(_rect("lit", frame, start, end, frame.low, frame.high) for start, end in pattern.lit),
        _levels(frame, pattern.unit),
        paths([f'<path class="fan" d="{fan}"/>'] if fan else []),
        "".join(_target(frame, *band) for band in pattern.bands),
        paths([f'<path class="trace" d="{week}"/>'] if week else []),
        _outside(frame, pattern),
        _hours(frame),
        "</svg>",
    ]
    return Markup("".join(parts))  # noqa: S704 - numbers and one escaped label


def _lightless() -> str:
    return '<rect class="lightless" width="100%" height="100%"/>'


def _frame(pattern: Pattern) -> Frame:
    """Return the frame of what is known, with room; targets are drawn where they fall into it."""
    known = np.concatenate((pattern.week, pattern.low, pattern.high))
    known = known[~np.isnan(known)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
    wanting = max(0.0, _LEAST_SPAN.get(pattern.unit, 1.0) - (high - low)) / 2
    low, high = low - wanting, high + wanting
    return Frame(0, _HOURS, low - _FOOT * (high - low), high + _ROOM * (high - low))


def _rect(css: str, frame: Frame, start: float, end: float, low: float, high: float) -> str:
    x, y = frame.x(start), frame.y(high)
    return (
        f'<rect class="{css}" x="{percent(x)}" width="{percent(max(0.0, frame.x(end) - x))}" '
        f'y="{percent(y)}" height="{percent(frame.y(low) - y)}"/>'
    )


def _levels(frame: Frame, unit: str) -> str:
    """Return lines at round values, the value written on each; the topmost with its unit."""
    values = [value for value in ticks(frame.low, frame.high) if 0.08 < frame.y(value) < 0.84]  # noqa: PLR2004 - room for the text
    parts: list[str] = []
    for value in values:
        y = percent(frame.y(value))
        said = f"{number(value, '')} {unit}" if value == values[-1] else number(value, "")
        parts.append(f'<line class="level" x1="0" x2="100%" y1="{y}" y2="{y}"/>')
        parts.append(f'<text class="level-text" x="5" y="{y}" dy="-3">{escape(said)}</text>')
    return "".join(parts)


def _target(frame: Frame, start: float, end: float, low: float, high: float) -> str:
    """Return the ends of a target as broken lines, where they lie within the picture."""
    x1, x2 = percent(frame.x(start)), percent(frame.x(end))
    return "".join(
        f'<line class="target" x1="{x1}" x2="{x2}" y1="{percent(frame.y(limit))}" y2="{percent(frame.y(limit))}"/>'
        for limit in (low, high)
        if frame.shows(limit)
    )


def _outside(frame: Frame, pattern: Pattern) -> str:
    """Return a ring on each hour of the week that lies outside its fan."""
    hours = np.flatnonzero(np.nan_to_num(pattern.beyond) != 0).tolist()
    return "".join(
        f'<circle class="outside" cx="{percent(frame.x(hour + 0.5))}" '
        f'cy="{percent(frame.y(float(pattern.week[hour])))}" r="4.5"/>'
        for hour in hours
    )


def _hours(frame: Frame) -> str:
    return "".join(
        f'<text class="hour" x="{percent(frame.x(hour))}" y="100%" dy="-5">{hour:02d}</text>' for hour in _WRITTEN_HOURS
    )
