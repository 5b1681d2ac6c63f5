"""A species profile drawn as the day that it asks for: lit hours on light ground, bands that step at lights on and off.

Positions are shares, as in `dashboard.strip_svg`: one drawing fits a card and a whole page.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from markupsafe import Markup, escape

from dashboard.day import Axis, Band, bands, day_axis, lit_spans, night_target
from dashboard.words import DEGREE, HUMIDITY, limits
from service.climate.day_cycle import LightSchedule, Photoperiod, instant_of, photoperiod_of
from service.climate.targets import Target

_SPLIT: Final = 66.0
"""Above this percentage of the height is the temperature, below it the humidity. [%]"""
_PLAIN_DOMAIN: Final = (15.0, 40.0)
_ROOM: Final = 2.5
"""Above and below the outermost limit. [°C]"""
_NOON: Final = 13.5
"""The middle of a day whose lit hours alone are known, by the clock. [h]"""
_TOO_HIGH: Final = 12.0
"""Above this a word over a line would be cut off. [% of the height]"""
_DROP: Final = "M0-7C3-2 4 0 4 2a4 4 0 0 1-8 0C-4 0-3-2 0-7Z"
_SHORT: Final = 0.25
"""Of a day: on a phone the limits of a shorter band have no room in it."""
_LEAST_BAND: Final = 1.6
"""So that a band whose ends are one is still seen. [% of the height]"""


@dataclass(frozen=True, slots=True)
class DayAsked:
    """What a day is drawn from.

    Attributes
    ----------
    targets : mapping of check id to Target
    lights : (on, off) or None
        By the clock; None draws the lit hours that the profile asks for, around the middle of the day.
    cycles : sequence of time
        Of misting.
    day : date
    zone : ZoneInfo
    label : str
        What a person who does not see the picture is told.
    """

    targets: Mapping[str, Target]
    lights: tuple[time, time] | None
    cycles: Sequence[time]
    day: date
    zone: ZoneInfo
    label: str


def draw_day(asked: DayAsked, *, written: bool = False) -> Markup:
    """Return the day as an SVG element without a size of its own; `written` names the limits and the hours on it."""
    axis = day_axis(asked.day, asked.zone)
    periods = _periods(asked)
    scale = _domain(asked.targets)
    label = f'role="img" aria-label="{escape(asked.label)}"' if asked.label else 'aria-hidden="true"'
    parts = [f'<svg class="strip strip-warm asked-day" {label} width="100%" height="100%">', _ground(axis, periods)]
    parts.append(f'<rect class="rain-ground" y="{_SPLIT:.0f}%" width="100%" height="{100 - _SPLIT:.0f}%"/>')
    for family, found, unit in _all_bands(asked.targets, periods, axis):
        low, high, top, bottom = (*scale, 0.0, _SPLIT) if unit == DEGREE else (0.0, 100.0, _SPLIT, 100.0)
        for band in found:
            parts.append(_band(family, axis, band, (low, high), (top, bottom)))
            if written:
                parts.append(_limit(axis, band, unit, (low, high), (top, bottom)))
    parts.append(_edges(asked.targets, scale, written=written))
    parts += [_drop(axis, instant_of(asked.day, at, asked.zone)) for at in asked.cycles]
    parts.append("</svg>")
    if written:
        parts.append(_hours(axis))
    return Markup("".join(parts))  # noqa: S704 - numbers, our own words, one escaped label


def _periods(asked: DayAsked) -> list[Photoperiod]:
    lights = asked.lights or _lit_hours(asked.targets)
    schedule = LightSchedule(*lights) if lights else None
    return [photoperiod_of(asked.day + timedelta(days=n), asked.zone, schedule=schedule) for n in (-1, 0)]


def _lit_hours(targets: Mapping[str, Target]) -> tuple[time, time] | None:
    """Return lights of as many hours as the profile asks for; None where it asks for none."""
    asked = targets.get("photoperiod")
    ends = [end for end in (asked.low, asked.high) if math.isfinite(end)] if asked else []
    needs_light = any(check in targets for check in ("hot-spot", "night-floor", "night-drop", "humidity-night"))
    hours = sum(ends) / len(ends) if ends else (12.0 if needs_light else 0.0)
    if not 0 < hours < 24:  # noqa: PLR2004 - a day
        return None
    on, off = (round(60 * (_NOON + part * hours / 2)) for part in (-1, 1))
    return time(*divmod(on % 1440, 60)), time(*divmod(off % 1440, 60))


def _all_bands(
    targets: Mapping[str, Target], periods: Sequence[Photoperiod], axis: Axis
) -> list[tuple[str, tuple[Band, ...], str]]:
    incubation, retreat = targets.get("incubation"), targets.get("cool-retreat")
    return [
        ("cool", bands(periods, axis, retreat, None), DEGREE),
        ("middle", bands(periods, axis, None, night_target(targets)), DEGREE),
        ("middle", bands(periods, axis, incubation, incubation), DEGREE),
        ("warm", bands(periods, axis, targets.get("hot-spot"), None), DEGREE),
        ("water", bands(periods, axis, targets.get("humidity-day"), targets.get("humidity-night")), HUMIDITY),
    ]


def _domain(targets: Mapping[str, Target]) -> tuple[float, float]:
    checks = ("hot-spot", "hot-spot-peak", "cool-retreat", "night-floor", "night-ceiling", "incubation")
    ends = [end for check in checks if (t := targets.get(check)) for end in (t.low, t.high) if math.isfinite(end)]
    return (min(ends) - _ROOM, max(ends) + _ROOM) if ends else _PLAIN_DOMAIN


def _ground(axis: Axis, periods: Sequence[Photoperiod]) -> str:
    if all(period.basis == "none" for period in periods):
        return '<rect class="lightless" width="100%" height="100%"/>'
    lit = "".join(
        f'<rect class="lit" x="{100 * axis.share(start):.2f}%" '
        f'width="{100 * (axis.share(end) - axis.share(start)):.2f}%" height="100%"/>'
        for start, end in lit_spans(periods, axis)
    )
    return f'<rect class="dark" width="100%" height="100%"/>{lit}'


def _at(value: float, scale: tuple[float, float], part: tuple[float, float]) -> float:
    """Return where a value lies, from the top [% of the height]."""
    share = min(1.0, max(0.0, (scale[1] - value) / (scale[1] - scale[0])))
    return part[0] + (part[1] - part[0]) * share


def _band(family: str, axis: Axis, band: Band, scale: tuple[float, float], part: tuple[float, float]) -> str:
    top, bottom = _at(min(band.high, scale[1]), scale, part), _at(max(band.low, scale[0]), scale, part)
    left, right = axis.share(band.start_ms), axis.share(band.end_ms)
    return (
        f'<rect class="band band-{family}" x="{100 * left:.2f}%" width="{100 * (right - left):.2f}%" '
        f'y="{top:.1f}%" height="{max(_LEAST_BAND, bottom - top):.1f}%"/>'
    )


def _limit(axis: Axis, band: Band, unit: str, scale: tuple[float, float], part: tuple[float, float]) -> str:
    """Return a band's limits, written in its middle."""
    top, bottom = _at(min(band.high, scale[1]), scale, part), _at(max(band.low, scale[0]), scale, part)
    x = 50 * (axis.share(band.start_ms) + axis.share(band.end_ms))
    short = " is-short" if axis.share(band.end_ms) - axis.share(band.start_ms) < _SHORT else ""
    return (
        f'<text class="limit-text{short}" x="{x:.2f}%" y="{(top + bottom) / 2:.1f}%" dy=".35em">'
        f"{escape(limits(band.low, band.high, unit))}</text>"
    )


def _edges(targets: Mapping[str, Target], scale: tuple[float, float], *, written: bool) -> str:
    """Return the ceiling and the humidity at which it is alarmed, as broken lines."""
    edges = [
        (targets.get("hot-spot-peak"), "high", DEGREE, scale, (0.0, _SPLIT)),
        (targets.get("humidity-alarm"), "low", HUMIDITY, (0.0, 100.0), (_SPLIT, 100.0)),
    ]
    parts: list[str] = []
    for target, end, unit, domain, part in edges:
        value = getattr(target, end, math.inf)
        if math.isfinite(value):
            y = _at(value, domain, part)
            parts.append(f'<line class="ceiling" x1="0" x2="100%" y1="{y:.1f}%" y2="{y:.1f}%"/>')
            if written:
                words = limits(*((None, value) if end == "high" else (value, None)), unit)
                below = "1.05em" if y < _TOO_HIGH else "-.35em"
                parts.append(f'<text class="edge-text" x=".6%" y="{y:.1f}%" dy="{below}">{escape(words)}</text>')
    return "".join(parts)


def _drop(axis: Axis, at_ms: int) -> str:
    x = 100 * axis.share(at_ms)
    return f'<svg class="rain-due" x="{x:.2f}%" y="92%" overflow="visible"><path d="{_DROP}"/></svg>'


def _hours(axis: Axis) -> str:
    """Return the hours as a line of its own below the day: no band lies behind them."""
    marks = "".join(
        f'<line x1="{x:.2f}%" x2="{x:.2f}%" y2="4"/><text x="{x:.2f}%" y="16">{hour:02d}:00</text>'
        for x, hour in ((100 * axis.share(at_ms), hour) for hour, at_ms in axis.hours(6))
    )
    return f'<svg class="asked-hours" aria-hidden="true" width="100%" height="20">{marks}</svg>'
