"""The day strip as SVG: a local day from left to right, heat above, water below.

Positions are shares of the width and of the height, so that one drawing fits a tile and a whole page: only the lines,
which need a view box, are stretched, and their strokes are not. Colours are classes: the page allows no inline style.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

from markupsafe import Markup, escape

from dashboard.day import Axis, Band, DayPlan, RainMark
from dashboard.strips import Bucket, DayTrace

Quantity = Literal["heat", "water"]
_SPLIT: Final = 64.0
"""Above this percentage of the height is the line in its bands, below it the rain line. [%]"""
_RAIN_TOP: Final = 66.0
_FULL_RESPONSE: Final = 25.0
"""Added humidity that fills the rain line. [%RH]"""
_RAIN_MIDDLE: Final = "83%"
_UNITS_X, _UNITS_Y = 1440, 1000
_CROSS: Final = "M-5-5 5 5M-5 5 5-5"
_DROP: Final = "M0-7C3-2 4 0 4 2a4 4 0 0 1-8 0C-4 0-3-2 0-7Z"
_CALM, _CALM_LARGE, _CALM_RAIN = 15, 5, 60
"""A bucket whose values lie within so many of the thousand units, about a pixel, is drawn as one point."""


@dataclass(frozen=True, slots=True)
class Strip:
    """What one strip shows.

    Attributes
    ----------
    plan : DayPlan
    now_ms : int
        [ms, UTC]
    heat, water : DayTrace or None
        The leading temperature and humidity channel of the enclosure.
    rain : tuple of RainMark
    leads : "heat" or "water"
        Which of them is the line in its bands.
    warmth : str
        Colour family of the leading temperature's zone: "warm", "middle" or "cool".
    label : str
        What a person who does not see the picture is told.
    """

    plan: DayPlan
    now_ms: int
    heat: DayTrace | None
    water: DayTrace | None
    rain: tuple[RainMark, ...]
    leads: Quantity
    warmth: str
    label: str


def draw(strip: Strip, *, hours: bool = False) -> Markup:
    """Return the strip as an SVG element without a size of its own.

    Parameters
    ----------
    strip : Strip
    hours : bool
        Whether the hours and the ceiling are written on it: for the large strips.
    """
    axis, trace = strip.plan.axis, strip.heat if strip.leads == "heat" else strip.water
    parts = [
        (
            f'<svg class="strip strip-{strip.leads} strip-{strip.warmth}" role="img" '
            f'aria-label="{escape(strip.label)}" width="100%" height="100%">'
        ),
        _ground(strip.plan),
        _water(strip),
    ]
    scale = _scale(strip, trace)
    target = strip.plan.heat if strip.leads == "heat" else strip.plan.water
    parts.append(_bands(axis, target, scale))
    if trace is not None:
        parts.append(_line(trace, _pen(axis, scale, _CALM_LARGE if hours else _CALM)))
        parts.append(_gaps(axis, trace.gaps(axis.start_ms, min(strip.now_ms, axis.end_ms))))
    elif strip.now_ms > axis.start_ms:
        parts.append(_gaps(axis, [(axis.start_ms, min(strip.now_ms, axis.end_ms))]))
    if hours:
        parts.append(_written(strip, scale))
    parts.append("".join(_rain(axis, mark, strip.now_ms) for mark in strip.rain))
    if axis.start_ms <= strip.now_ms < axis.end_ms:
        parts.append(f'<rect class="now" x="{_percent(axis.share(strip.now_ms))}" width="2" height="100%"/>')
    parts.append("</svg>")
    return Markup("".join(parts))  # noqa: S704 - numbers and one escaped label


def _percent(share: float) -> str:
    return f"{100 * share:.2f}%"


def _span(css: str, axis: Axis, start_ms: float, end_ms: float, top: float, bottom: float) -> str:
    """Return a rectangle over a span of time; top and bottom in percent of the height."""
    left, right = axis.share(start_ms), axis.share(end_ms)
    return (
        f'<rect class="{css}" x="{_percent(left)}" width="{_percent(right - left)}" '
        f'y="{top:.1f}%" height="{max(0.0, bottom - top):.1f}%"/>'
    )


def _ground(plan: DayPlan) -> str:
    """Return the dark of the day with the lit hours on it."""
    if plan.lightless:
        return '<rect class="lightless" width="100%" height="100%"/>'
    lit = "".join(_span("lit", plan.axis, start, end, 0, 100) for start, end in plan.lit)
    return f'<rect class="dark" width="100%" height="100%"/>{lit}'


def _scale(strip: Strip, trace: DayTrace | None) -> tuple[float, float]:
    """Return the values at the lower and the upper edge of the line's part."""
    low, high = strip.plan.domain() if strip.leads == "heat" else (0.0, 100.0)
    if strip.leads == "heat" and trace is not None and trace.extremes:
        # Whole degrees: what is drawn already can be kept while the extremes creep on.
        low = min(low, math.floor(trace.extremes[0]) - 1.0)
        high = max(high, math.ceil(trace.extremes[1]) + 1.0)
    return low, high


def _height(value: float, scale: tuple[float, float]) -> float:
    """Return where a value lies in the line's part, from the top [% of the height]."""
    share = (scale[1] - value) / (scale[1] - scale[0])
    return _SPLIT * min(1.0, max(0.0, share))


def _bands(axis: Axis, bands: Iterable[Band], scale: tuple[float, float]) -> str:
    parts: list[str] = []
    for band in bands:
        top = _height(min(band.high, scale[1]), scale)
        bottom = _height(max(band.low, scale[0]), scale)
        parts.append(_span("band", axis, band.start_ms, band.end_ms, top, max(bottom, top + 1.5)))
    return "".join(parts)


@dataclass(frozen=True, slots=True)
class _Pen:
    """How values become points: x from the start of the day, y from the top, in units of the view box."""

    start_ms: int
    per_ms: float
    low: float
    per_unit: float
    calm: float

    def point(self, at_ms: int, value: float) -> str:
        x, y = int((at_ms - self.start_ms) * self.per_ms), int(_UNITS_Y - (value - self.low) * self.per_unit)
        return f"{x} {y}"

    def bucket(self, bucket: Bucket) -> str:
        """Return all four values of a bucket where it moved, one where it was calm."""
        first_at, last_at, first, least, most, last = bucket
        if (most - least) * self.per_unit < self.calm:
            return self.point(first_at, first)
        middle = (first_at + last_at) // 2
        inside = f"{self.point(middle, least)} {self.point(middle, most)}"
        return f"{self.point(first_at, first)} {inside} {self.point(last_at, last)}"

    def runs(self, trace: DayTrace) -> Iterable[tuple[Bucket, Bucket, str]]:
        """Yield the first and the last bucket and the points of each unbroken run."""
        drawn = trace.texts.setdefault(self, [])
        # Two threads may draw the same at once: the same texts, so the one that is longer at the end is as good.
        texts = drawn + [self.bucket(bucket) for bucket in trace.buckets[len(drawn) :]]
        trace.texts[self] = texts
        begin = 0
        for run in trace.runs:
            end = begin + len(run)
            yield run[0], run[-1], f"{' '.join(texts[begin:end])} {self.point(run[-1][1], run[-1][5])}"
            begin = end


def _pen(axis: Axis, scale: tuple[float, float], calm: float) -> _Pen:
    per_ms, per_unit = _UNITS_X / (axis.end_ms - axis.start_ms), _UNITS_Y / (scale[1] - scale[0])
    return _Pen(axis.start_ms, per_ms, scale[0], per_unit, calm)


def _line(trace: DayTrace, pen: _Pen) -> str:
    """Return the line in its own view box: broken at gaps, its stroke as wide as the style says at any size."""
    path = "".join(f"M{points}" for _, _, points in pen.runs(trace))
    return (
        f'<svg width="100%" height="{_SPLIT:.0f}%" viewBox="0 0 {_UNITS_X} {_UNITS_Y}" preserveAspectRatio="none">'
        f'<path class="trace" d="{path}"/></svg>'
        if path
        else ""
    )


def _gaps(axis: Axis, gaps: Iterable[tuple[int, int]]) -> str:
    return "".join(_span("gap", axis, start, end, 0, _SPLIT) for start, end in gaps)


def _water(strip: Strip) -> str:
    """Return the humidity of the day as a silhouette behind the rain line."""
    axis, trace = strip.plan.axis, strip.water
    ground = f'<rect class="rain-ground" y="{_SPLIT:.0f}%" width="100%" height="{100 - _SPLIT:.0f}%"/>'
    if trace is None or strip.leads == "water":
        return ground
    pen = _pen(axis, (0.0, 100.0), _CALM_RAIN)
    path = "".join(
        f"M{pen.point(first[0], 0)} {points} {pen.point(last[1], 0)}Z" for first, last, points in pen.runs(trace)
    )
    return ground + (
        f'<svg y="{_RAIN_TOP:.0f}%" width="100%" height="{100 - _RAIN_TOP:.0f}%" '
        f'viewBox="0 0 {_UNITS_X} {_UNITS_Y}" preserveAspectRatio="none"><path class="wet" d="{path}"/></svg>'
        if path
        else ""
    )


def _rain(axis: Axis, mark: RainMark, now_ms: int) -> str:
    """Return the mark of a misting cycle: as tall as the water it added, a cross for none, hollow while not known."""
    if not axis.meets(mark.at_ms, mark.at_ms + 1):
        return ""
    x = _percent(axis.share(mark.at_ms))
    if mark.verdict in {"confirmed", "weak"} and math.isfinite(mark.response):
        top = 100 - (100 - _RAIN_TOP) * min(1.0, max(0.2, mark.response / _FULL_RESPONSE))
        return f'<line class="rain rain-{mark.verdict}" x1="{x}" x2="{x}" y1="100%" y2="{top:.1f}%"/>'
    if mark.verdict == "none":
        return f'<svg class="rain-none" x="{x}" y="{_RAIN_MIDDLE}" overflow="visible"><path d="{_CROSS}"/></svg>'
    css = "rain-due" if mark.at_ms > now_ms else "rain-unknown"
    return f'<svg class="{css}" x="{x}" y="{_RAIN_MIDDLE}" overflow="visible"><path d="{_DROP}"/></svg>'


def _written(strip: Strip, scale: tuple[float, float]) -> str:
    """Return the hours, and the ceiling where there is one."""
    axis = strip.plan.axis
    parts = [
        f'<text class="hour" x="{_percent(axis.share(at_ms))}" y="{_SPLIT - 2:.0f}%">{hour:02d}</text>'
        for hour, at_ms in axis.hours(6)
    ]
    if strip.leads == "heat" and math.isfinite(strip.plan.ceiling):
        y = f"{_height(strip.plan.ceiling, scale):.1f}%"
        parts.append(f'<line class="ceiling" x1="0" x2="100%" y1="{y}" y2="{y}"/>')
    return "".join(parts)
