"""A day as a ribbon of light and dark, with its rain: the day strip without its line, small enough for a calendar."""

import math
from typing import Final

from markupsafe import Markup

from dashboard.day import Axis
from service.lookback.bodies import Body
from service.lookback.words import ms_of

FULL_RESPONSE: Final = 25.0
"""Added humidity that fills the ribbon, as on the day strip. [%RH]"""
_LEAST: Final = 0.2
_CROSS: Final = "M-3.5-3.5 3.5 3.5M-3.5 3.5 3.5-3.5"


def ribbon(body: Body, before: Body | None, axis: Axis) -> Markup:
    """Return the ribbon of an assessed day.

    Parameters
    ----------
    body, before : dict
        The day as `service.lookback.bodies.body_of` makes it, and the one before: its light may reach over midnight.
    axis : Axis
        The local day.
    """
    lit = "".join(_lit(one, axis) for one in (before, body) if one)
    lightless = body["day"]["photoperiod"]["basis"] == "none"
    ground = "lightless" if lightless else "dark"
    rain = "".join(_mark(cycle, axis) for cycle in body["misting"])
    return Markup(  # noqa: S704 - numbers and names of our own
        f'<svg class="strip ribbon" aria-hidden="true" focusable="false" width="100%" height="100%">'
        f'<rect class="{ground}" width="100%" height="100%"/>{lit}{rain}</svg>'
    )


def _lit(body: Body, axis: Axis) -> str:
    period = body["day"]["photoperiod"]
    if period["on"] is None:
        return ""
    left, right = axis.share(ms_of(period["on"])), axis.share(ms_of(period["off"]))
    if left >= right:
        return ""
    return f'<rect class="lit" x="{100 * left:.2f}%" width="{100 * (right - left):.2f}%" height="100%"/>'


def _mark(cycle: Body, axis: Axis) -> str:
    """Return a misting cycle: as tall as the water it added, a cross for none, hollow where it is not known."""
    x = f"{100 * axis.share(ms_of(cycle['at'])):.2f}%"
    response = cycle["response"]
    if cycle["verdict"] in {"confirmed", "weak"} and response is not None and math.isfinite(response):
        top = 100 - 100 * min(1.0, max(_LEAST, response / FULL_RESPONSE))
        return f'<line class="rain rain-{cycle["verdict"]}" x1="{x}" x2="{x}" y1="100%" y2="{top:.1f}%"/>'
    if cycle["verdict"] == "none":
        return f'<svg class="rain-none" x="{x}" y="60%" overflow="visible"><path d="{_CROSS}"/></svg>'
    return f'<circle class="rain-unknown" cx="{x}" cy="66%" r="3"/>'
