"""Added-humidity curves as SVG, laid over each other from the start of the misting, the newest bold."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from markupsafe import Markup, escape

from dashboard.figures.plot import Frame, line_path, paths, percent, ticks
from dashboard.words import HUMIDITY, measured, number
from service.climate.ranges import Floats

_LEFT, _RIGHT = -10, 90
_LEAST_TOP, _LEAST_LOW = 20.0, -4.0
"""The picture shows at least this much. [%RH]"""
_FAINTEST, _STRONGEST = 0.22, 0.75
"""Opacity of the oldest curve and of the one before the newest."""
_OTHERWISE: Final = 0.18
_SYMBOLS: Final = {"weak": "drop-half", "none": "cross"}
_SYMBOL_PX: Final = 14
_SHOWN_AFTER_MIN: Final = 20


@dataclass(frozen=True, eq=False)
class Curve:
    """What a cycle added.

    Attributes
    ----------
    minutes, added : ndarray of float64, shape (n,)
        From its start; NaN is a break. [min], [%RH]
    verdict : str or None
    response : float
        NaN where not known. [%RH]
    is_alike : bool
        Whether it ran at the newest one's time of day; others are drawn faintly.
    """

    minutes: Floats
    added: Floats
    verdict: str | None
    response: float
    is_alike: bool = True


def draw_curves(curves: Sequence[Curve], asked: float, label: str) -> Markup:
    """Return the picture, without a size of its own.

    Parameters
    ----------
    curves : sequence of Curve
        In order of time, at least one.
    asked : float
        What a working cycle adds. [%RH]
    label : str
    """
    frame = _frame(curves, asked)
    older, newest = curves[:-1], curves[-1]
    lines = [_older(frame, curve, n, len(older)) for n, curve in enumerate(older)]
    parts = [
        f'<svg class="strip plot strip-water" role="img" aria-label="{escape(label)}" width="100%" height="100%">',
        '<rect class="rain-sky" width="100%" height="100%"/>',
        _levels(frame),
        _asked(frame, asked),
        paths(lines),
        "".join(_symbol(frame, curve, "symbol-old") for curve in older if curve.is_alike),
        paths([f'<path class="curve curve-newest{_css(newest)}" d="{_path(frame, newest)}"/>']),
        _symbol(frame, newest, "symbol-new"),
        _newest(frame, newest),
        _minutes(frame),
        "</svg>",
    ]
    return Markup("".join(parts))  # noqa: S704 - numbers and escaped words


def _frame(curves: Sequence[Curve], asked: float) -> Frame:
    added = np.concatenate([curve.added for curve in curves])
    known = added[~np.isnan(added)]
    top = max(_LEAST_TOP, asked * 1.3, float(known.max(initial=0.0)))
    low = min(_LEAST_LOW, float(known.min(initial=0.0)))
    return Frame(_LEFT, _RIGHT, low - 0.09 * (top - low), top + 0.08 * (top - low))


def _path(frame: Frame, curve: Curve) -> str:
    return line_path(frame, curve.minutes, curve.added)


def _css(curve: Curve) -> str:
    return f" curve-{curve.verdict}" if curve.verdict in _SYMBOLS else ""


def _older(frame: Frame, curve: Curve, number_of: int, count: int) -> str:
    """Return an older curve, the fainter the older it is."""
    opacity = _FAINTEST + (_STRONGEST - _FAINTEST) * (number_of + 1) / count if curve.is_alike else _OTHERWISE
    return f'<path class="curve{_css(curve)}" stroke-opacity="{opacity:.2f}" d="{_path(frame, curve)}"/>'


def _symbol(frame: Frame, curve: Curve, css: str) -> str:
    """Return the mark of a cycle that was weak or did not reach the air, at its highest point."""
    symbol = _SYMBOLS.get(curve.verdict or "")
    peak = _peak(curve)
    if symbol is None or peak is None:
        return ""
    half = _SYMBOL_PX // 2
    return (
        f'<use class="symbol {css}" href="#shape-{symbol}" x="{percent(frame.x(peak[0]))}" '
        f'y="{percent(frame.y(peak[1]))}" width="{_SYMBOL_PX}" height="{_SYMBOL_PX}" '
        f'transform="translate(-{half} -{half})"/>'
    )


def _peak(curve: Curve) -> tuple[float, float] | None:
    """Return the highest point within the response's 20 min."""
    inside = (curve.minutes > 0) & (curve.minutes <= _SHOWN_AFTER_MIN) & ~np.isnan(curve.added)
    if not inside.any():
        return None
    which = np.flatnonzero(inside)
    best = int(which[np.argmax(curve.added[which])])
    return float(curve.minutes[best]), float(curve.added[best])


def _newest(frame: Frame, curve: Curve) -> str:
    """Return the words at the newest curve's highest point."""
    peak = _peak(curve)
    if peak is None:
        return ""
    response = f" {measured(max(0.0, curve.response), HUMIDITY)}" if math.isfinite(curve.response) else ""
    words = {"none": "none", "no data": "no data", None: "not over"}.get(curve.verdict, curve.verdict or "")
    return (
        f'<text class="newest-text" x="{percent(frame.x(peak[0]))}" y="{percent(frame.y(peak[1]))}" dx="12" dy="-6">'
        f"newest{response}, {escape(words)}</text>"
    )


def _levels(frame: Frame) -> str:
    values = [value for value in ticks(frame.low, frame.high) if 0.05 < frame.y(value) < 0.9]  # noqa: PLR2004 - room for the text
    parts: list[str] = []
    for value in values:
        y = percent(frame.y(value))
        said = f"{number(value, '')} {HUMIDITY} added" if value == values[-1] else number(value, "")
        parts.append(f'<line class="level{" level-zero" if value == 0 else ""}" x1="0" x2="100%" y1="{y}" y2="{y}"/>')
        parts.append(f'<text class="level-text" x="5" y="{y}" dy="-3">{said}</text>')
    return "".join(parts)


def _asked(frame: Frame, asked: float) -> str:
    y, said = percent(frame.y(asked)), f"a working cycle adds {measured(asked, HUMIDITY)}"
    return (
        f'<line class="target" x1="0" x2="100%" y1="{y}" y2="{y}"/>'
        f'<text class="asked-text" x="100%" y="{y}" dx="-6" dy="-4">{said}</text>'
    )


def _minutes(frame: Frame) -> str:
    start = percent(frame.x(0))
    parts = [f'<line class="start" x1="{start}" x2="{start}" y1="0" y2="100%"/>']
    parts += [
        f'<text class="hour" x="{percent(frame.x(minute))}" y="100%" dy="-5">{said}</text>'
        for minute, said in ((0, "misting"), (30, "+30 min"), (60, "+60 min"))
    ]
    return "".join(parts)
