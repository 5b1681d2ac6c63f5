"""A value on its scale: where it stands, beside the band that it is held against now."""

import math
from typing import Final

from markupsafe import Markup

from dashboard.words import DEGREE, HUMIDITY

_SCALES: Final = {DEGREE: (10.0, 45.0, 10), HUMIDITY: (0.0, 100.0, 25)}
"""Least, most, and every how much a mark stands, by unit."""


def scale_of(value: float | None, low: float | None, high: float | None, unit: str) -> Markup:
    """Return the scale as SVG; nothing for a quantity without one, or a value that is not known.

    Parameters
    ----------
    value, low, high : float or None
        The value, and the ends of its band; None where open. [unit]
    unit : str
        As `dashboard.words.unit_of` returns it.
    """
    if unit not in _SCALES or value is None or not math.isfinite(value):
        return Markup("")
    least, most, every = _SCALES[unit]

    def place(at: float) -> float:
        return 100 * min(1.0, max(0.0, (at - least) / (most - least)))

    marks = "".join(
        f'<line class="scale-mark" x1="{place(at):.1f}%" x2="{place(at):.1f}%" y1="70%" y2="100%"/>'
        for at in range(math.ceil(least / every) * every, int(most) + 1, every)
        if least < at < most
    )
    band = ""
    if low is not None or high is not None:
        left, right = place(least if low is None else low), place(most if high is None else high)
        band = f'<rect class="band" x="{left:.1f}%" width="{max(0.6, right - left):.1f}%" height="100%"/>'
    kind = "strip-water" if unit == HUMIDITY else "strip-middle"
    here = f'<circle class="scale-now" cx="{place(value):.1f}%" cy="50%" r="6"/>'
    return Markup(  # noqa: S704 - numbers and constants
        f'<svg class="strip scale {kind}" aria-hidden="true" focusable="false" width="100%" height="100%">'
        f'<rect class="scale-ground" width="100%" height="100%"/>{band}{marks}{here}</svg>'
    )
