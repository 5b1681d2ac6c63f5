"""What the static pictures have in common: numbers to places, round ticks, and paths that break where nothing is known.

Positions are in percent, so that a picture takes any size and its text keeps its own; only paths, which need a view
box, are stretched, and their strokes are not. Colours are classes: the pages allow no inline style.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from service.climate.ranges import Floats

UNITS: Final = 1000
"""Width and height of the view box of paths."""
_STEPS: Final = (1.0, 2.0, 5.0)
_MOST_TICKS: Final = 5


@dataclass(frozen=True, slots=True)
class Frame:
    """What a picture shows: from `left` to `right`, from `low` to `high`."""

    left: float
    right: float
    low: float
    high: float

    def x(self, at: float) -> float:
        """Return where it lies from the left, 0 to 1, held at the edges."""
        return min(1.0, max(0.0, (at - self.left) / (self.right - self.left)))

    def y(self, value: float) -> float:
        """Return where it lies from the top, 0 to 1, held at the edges."""
        return min(1.0, max(0.0, (self.high - value) / (self.high - self.low)))

    def point(self, at: float, value: float) -> str:
        """Return a point of a path."""
        return f"{UNITS * self.x(at):.0f} {UNITS * self.y(value):.0f}"

    def shows(self, value: float) -> bool:
        """Whether a value lies within the picture."""
        return self.low < value < self.high


def percent(share: float) -> str:
    """Return a share as a length in SVG."""
    return f"{100 * share:.2f}%"


def ticks(low: float, high: float, most: int = _MOST_TICKS) -> list[float]:
    """Return round numbers within [low, high], at most about so many."""
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next((power * s for s in _STEPS if power * s >= rough), power * 10)
    return [step * n for n in range(math.ceil(low / step), math.floor(high / step) + 1)]


def runs(*values: Floats) -> Iterator[slice]:
    """Yield the parts in which all of several arrays of one shape (n,) are known."""
    known = ~np.any(np.isnan(np.stack(values)), axis=0)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], known, [False])).astype(np.int8)))
    for start, end in edges.reshape(-1, 2).tolist():
        yield slice(start, end)


def line_path(frame: Frame, at: Floats, value: Floats) -> str:
    """Return the path of a line, broken where it is not known; a point that stands alone is a dot."""
    parts: list[str] = []
    for run in runs(value):
        points = [frame.point(x, y) for x, y in zip(at[run].tolist(), value[run].tolist(), strict=True)]
        parts.append(f"M{' '.join(points if len(points) > 1 else points * 2)}")
    return "".join(parts)


def area_path(frame: Frame, at: Floats, low: Floats, high: Floats) -> str:
    """Return the path of what lies between two lines, broken where one of them is not known."""
    parts: list[str] = []
    for run in runs(low, high):
        upper = [frame.point(x, y) for x, y in zip(at[run].tolist(), high[run].tolist(), strict=True)]
        lower = [frame.point(x, y) for x, y in zip(at[run].tolist(), low[run].tolist(), strict=True)]
        parts.append(f"M{' '.join(upper + lower[::-1])}Z")
    return "".join(parts)


def paths(parts: Sequence[str]) -> str:
    """Return paths in their view box, stretched over the whole picture."""
    inside = "".join(parts)
    if not inside:
        return ""
    return f'<svg width="100%" height="100%" viewBox="0 0 {UNITS} {UNITS}" preserveAspectRatio="none">{inside}</svg>'
