"""The pictures of a report: the days of the span, and the last week before the event reading by reading."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from service.climate.day_cycle import local_day
from service.lookback.bodies import Body
from service.lookback.degrees import Degrees, text_in_fahrenheit
from service.lookback.forms import svg
from service.lookback.forms.axes import LEFT, RIGHT, WIDTH, TimeAxis, ValueAxis, axis_for, frame
from service.lookback.forms.channel_days import ChannelDays
from service.lookback.forms.document import Picture
from service.lookback.forms.verdicts import shown_verdicts
from service.lookback.lives.stays import Stay
from service.lookback.words import at_zone, counted, long_day_words, ms_of, zone_words
from service.model import from_ms
from service.store.history import ChannelSeries

_WARM: Final = ("basking", "warm-end")
_COOL: Final = ("cool-end", "retreat", "substrate")
_TEMPERATURE: Final = ("air_temperature", "surface_temperature", "substrate_temperature")
_BAND_CHECKS: Final = {
    "hot-spot": "warm", "incubation": "middle", "night-floor": "middle", "night-ceiling": "middle",
    "humidity-day": "water", "humidity-night": "water",
}  # fmt: skip
_COLOURS: Final = {"warm": svg.WARM, "middle": svg.MIDDLE, "cool": svg.COOL, "water": svg.WATER}
_DASHES: Final = ("", "6 3", "2 2", "8 2 2 2")
_VERDICTS: Final = {
    "not met": (svg.ACT, "missed a target"),
    "borderline": (svg.DRIFT, "too close to tell"),
    "no data": (svg.UNKNOWN, "not known in full"),
    "met": (svg.FINE, "met every target"),
    None: (svg.PAPER, "not over yet"),
}
_STRIP, _HEAT, _WATER = 26.0, 190.0, 100.0
_TOP, _GAP, _FOOT = 34.0, 26.0, 20.0


def family_of(quantity: str, zone: str) -> str:
    """Return the colour family of a channel: temperatures by zone, all that is water in one."""
    if quantity not in _TEMPERATURE:
        return "water"
    return "warm" if zone in _WARM else "cool" if zone in _COOL else "middle"


def span_picture(
    report: Body,
    channels: Sequence[ChannelDays],
    stays: Sequence[Stay],
    event_ms: int | None,
    zone: ZoneInfo,
    degrees: Degrees = "C",
) -> Picture:
    """Return the days of a span: verdicts, temperatures, humidity, moves and the event.

    Parameters
    ----------
    report : dict
    channels : sequence of ChannelDays
    stays : sequence of Stay
        Within the span.
    event_ms : int or None
        [ms, UTC]
    zone : ZoneInfo
    degrees : str
        "C" or "F": what is written at the levels of temperature.
    """
    axis = TimeAxis(ms_of(report["from"]), ms_of(report["to"]), zone)
    heat = [one for one in channels if one.channel.quantity in _TEMPERATURE]
    water = [one for one in channels if one.channel.quantity == "relative_humidity"]
    parts: list[str] = list(_strip(shown_verdicts(report["days"]), axis, _TOP))
    foot = _TOP + _STRIP
    for some, unit, height in ((heat, f"°{degrees}", _HEAT), (water, "%RH", _WATER)):
        if some:
            parts += _days_panel(report["days"], some, axis, foot + _GAP, (height, unit))
            foot += _GAP + height
    parts += axis.ticks(_TOP, foot)
    parts += _moves(stays, axis, _TOP, foot)
    parts += _event(event_ms, axis, _TOP, foot)
    alt = _alt(report, heat, water)
    alt = text_in_fahrenheit(alt) if degrees == "F" else alt
    return Picture(svg.drawing(WIDTH, foot + _FOOT, alt, parts), alt, _caption(report))


def _caption(report: Body) -> str:
    hot = any(check["check"] == "hot-spot" for day in report["days"] for check in day["checks"])
    asked = " The shaded bands are what the profile asks for" + (", of the basking spot by day." if hot else ".")
    return (
        "Above, the verdict of each day. Below, a bar from the lowest to the highest reading of each day, with a tick "
        f"at its median.{asked} Where there is no bar, nothing is known."
    )


def _alt(report: Body, heat: Sequence[ChannelDays], water: Sequence[ChannelDays]) -> str:
    days = len(report["days"])
    missed = sum(day["verdict"] == "not met" for day in report["days"])
    said = [f"{counted(days, 'day')}, {missed} of which missed a target"]
    for one in (*heat, *water):
        unit = "%RH" if one in water else "°C"
        what = f"{one.channel.quantity.replace('_', ' ')} {at_zone(one.zone)} of {one.enclosure}"
        said.append(f"{what} from {one.low.min():.1f} to {one.high.max():.1f} {unit}")
    return "; ".join(said) + "."


def _strip(days: Sequence[Body], axis: TimeAxis, top: float) -> Iterator[str]:
    """Yield a mark a day; where an animal moved, two share the day."""
    shared: dict[str, list[Body]] = {}
    for day in days:
        shared.setdefault(day["date"], []).append(day)
    for when, some in shared.items():
        first, last = axis.day(date.fromisoformat(when))
        height = (_STRIP - 6) / len(some)
        for number, day in enumerate(some):
            colour, _ = _VERDICTS[day["verdict"]]
            y = top + number * height
            wide = max(0.8, last - first - (1.2 if last - first > 4 else 0.2))  # noqa: PLR2004 - room for a gap
            hollow = day["verdict"] == "met"
            yield svg.element(
                "rect", x=first, y=y, width=wide, height=height - 1, fill="none" if hollow else colour, stroke=colour,
                stroke_width=0.8, fill_opacity=None if hollow else (0.55 if day["verdict"] == "no data" else 1),
            )  # fmt: skip
    x = LEFT
    for verdict in ("not met", "borderline", "no data", "met"):
        colour, words = _VERDICTS[verdict]
        hollow = verdict == "met"
        yield svg.element("rect", x=x, y=top - 28, width=9, height=9, fill="none" if hollow else colour, stroke=colour)
        yield svg.text(x + 13, top - 20, words, fill=svg.SOFT)
        x += 24 + 5.6 * len(words)


def _days_panel(
    days: Sequence[Body], channels: Sequence[ChannelDays], axis: TimeAxis, top: float, shape: tuple[float, str]
) -> list[str]:
    height, unit = shape
    families = {family_of(one.channel.quantity, one.zone) for one in channels}
    bands = [_whole_day(band, axis) for band in _bands(days) if band[0] in families]
    values = [float(v) for one in channels for v in (one.low.min(), one.high.max())]
    levels = axis_for(
        values + [end for band in bands for end in band[3:] if np.isfinite(end)], top, height, humidity=unit == "%RH"
    )
    parts = [_band(band, axis, levels) for band in bands]
    parts += levels.ticks(unit)
    # A zone keeps its place within the day in every enclosure.
    places = list(dict.fromkeys((one.channel.quantity, one.zone) for one in channels))
    for one in channels:
        number = places.index((one.channel.quantity, one.zone))
        parts += _day_bars(one, axis, levels, number, len(places))
    parts += _legend([(family_of(c.channel.quantity, c.zone), c.channel.quantity, c.zone) for c in channels], top - 6)
    return [*parts, frame(top, height)]


def _day_bars(one: ChannelDays, axis: TimeAxis, levels: ValueAxis, number: int, of: int) -> Iterator[str]:
    colour = _COLOURS[family_of(one.channel.quantity, one.zone)]
    for day, low, median, high in zip(one.days, one.low, one.median, one.high, strict=True):
        first, last = axis.day(day)
        # Several channels share a day's width where it is wide enough.
        share = (last - first) / of if last - first > 3 * of else last - first
        x = first + (number * share if share < last - first else 0)
        yield svg.element(
            "rect", x=x, y=levels.y(high), width=max(0.6, share - 0.6), fill=colour, fill_opacity=0.35,
            height=max(0.8, levels.y(low) - levels.y(high)),
        )  # fmt: skip
        y = levels.y(median)
        yield svg.element("line", x1=x, x2=x + max(0.6, share - 0.6), y1=y, y2=y, stroke=colour, stroke_width=1.6)


def _bands(days: Iterable[Body]) -> Iterator[tuple[str, int, int, float, float]]:
    """Yield what was asked for: family, from, to, low, high; an open end is infinite. [ms, UTC]."""
    for day in days:
        for check in day["checks"]:
            family, target = _BAND_CHECKS.get(check["check"]), check["target"]
            if family is None:
                continue
            low = -np.inf if target["low"] is None else target["low"]
            high = np.inf if target["high"] is None else target["high"]
            yield family, ms_of(check["from"]), ms_of(check["to"]), low, high


def _whole_day(band: tuple[str, int, int, float, float], axis: TimeAxis) -> tuple[str, int, int, float, float]:
    """Return a band over the whole local day: its hours are too narrow to be seen."""
    start, end = local_day(from_ms(band[1]).astimezone(axis.zone).date(), axis.zone)
    return band[0], start, end, band[3], band[4]


def _band(band: tuple[str, int, int, float, float], axis: TimeAxis, levels: ValueAxis) -> str:
    family, start, end, low, high = band
    y, foot = levels.y(min(high, levels.high)), levels.y(max(low, levels.low))
    return svg.element(
        "rect", x=axis.x(start), y=y, width=max(0.4, axis.x(end) - axis.x(start)), height=max(0.0, foot - y),
        fill=_COLOURS[family], fill_opacity=0.13,
    )  # fmt: skip


def _legend(shown: Iterable[tuple[str, str, str]], y: float) -> Iterator[str]:
    x = LEFT + 4
    for family, quantity, zone in dict.fromkeys(shown):
        words = zone_words(zone) if quantity in _TEMPERATURE else f"humidity, {zone_words(zone)}"
        yield svg.element("line", x1=x, x2=x + 14, y1=y - 3, y2=y - 3, stroke=_COLOURS[family], stroke_width=3)
        yield svg.text(x + 18, y, words)
        x += 36 + 5.6 * len(words)


def _moves(stays: Sequence[Stay], axis: TimeAxis, top: float, foot: float) -> Iterator[str]:
    for number, stay in enumerate(stays):
        x = axis.x(stay.start_ms)
        if number:
            yield svg.element(
                "line", x1=x, x2=x, y1=top - 8, y2=foot, stroke=svg.INK, stroke_width=1, stroke_dasharray="4 3"
            )
            yield svg.text(min(x + 3, WIDTH - RIGHT - 120), top - 2, f"into {stay.enclosure.name}"[:40], font_size=10)


def _event(event_ms: int | None, axis: TimeAxis, top: float, foot: float) -> Iterator[str]:
    if event_ms is not None and axis.start_ms <= event_ms <= axis.end_ms:
        x = axis.x(event_ms)
        yield svg.element("line", x1=x, x2=x, y1=top, y2=foot, stroke=svg.ACT, stroke_width=1.6)
        yield svg.element("path", d=f"M{x - 5:.1f} {top - 7:.1f}h10l-5 7z", fill=svg.ACT)


def week_picture(
    report: Body,
    series: Sequence[ChannelSeries],
    bounds: tuple[int, int],
    event_ms: int | None,
    zone: ZoneInfo,
    degrees: Degrees = "C",
) -> Picture:
    """Return the last days before an event, reading by reading, over light and dark.

    Parameters
    ----------
    report : dict
    series : sequence of ChannelSeries
        Of those days.
    bounds : (int, int)
        [ms, UTC]
    event_ms : int or None
    zone : ZoneInfo
    degrees : str
        "C" or "F".
    """
    axis = TimeAxis(*bounds, zone)
    parts = list(_nights(report["days"], axis))
    foot = 0.0
    for wanted, unit, height in ((_TEMPERATURE, f"°{degrees}", _HEAT), (("relative_humidity",), "%RH", _WATER)):
        some = [one for one in series if one.channel.quantity in wanted and one.at.size]
        if some:
            parts += _lines_panel(report, some, axis, foot + _GAP, (height, unit))
            foot += _GAP + height
    parts += axis.ticks(_GAP, foot)
    parts += _event(event_ms, axis, _GAP, foot)
    first, last = (from_ms(at).astimezone(zone).date() for at in (bounds[0], bounds[1] - 1))
    alt = f"Readings from {long_day_words(first)} to {long_day_words(last)}, drawn over the lit hours."
    said = (
        "The last days, reading by reading; dark ground is night, shaded bands are what the profile asks for. A line "
        "is broken where nothing is known. Marks at the foot are mistings: filled where water reached the air."
    )
    body = [_night_ground(foot), *parts]
    return Picture(svg.drawing(WIDTH, foot + _FOOT, alt, body), alt, said)


def _night_ground(foot: float) -> str:
    return svg.element("rect", x=LEFT, y=_GAP, width=WIDTH - LEFT - RIGHT, height=max(0.0, foot - _GAP), fill=svg.DARK)


def _nights(days: Iterable[Body], axis: TimeAxis) -> Iterator[str]:
    """Yield the lit hours as light ground over the dark."""
    total = _GAP + _HEAT + _GAP + _WATER
    for day in days:
        lit = day["photoperiod"]
        if lit["on"] is None:
            continue
        x, end = axis.x(ms_of(lit["on"])), axis.x(ms_of(lit["off"]))
        if end > x:
            yield svg.element("rect", x=x, y=_GAP, width=end - x, height=total - _GAP, fill=svg.LIT)


def _lines_panel(
    report: Body, some: Sequence[ChannelSeries], axis: TimeAxis, top: float, shape: tuple[float, str]
) -> list[str]:
    height, unit = shape
    families = {family_of(one.channel.quantity, one.zone) for one in some}
    bands = [b for b in _bands(report["days"]) if b[0] in families and b[1] < axis.end_ms and b[2] > axis.start_ms]
    values = [float(v) for one in some for v in (np.nanmin(one.value), np.nanmax(one.value))]
    ends = [end for band in bands for end in band[3:] if np.isfinite(end)]
    levels = axis_for(values + ends, top, height, humidity=unit == "%RH")
    parts = [_band(band, axis, levels) for band in bands]
    parts += levels.ticks(unit)
    for number, one in enumerate(some):
        points = [
            None if np.isnan(value) else (axis.x(at), levels.y(value))
            for at, value in zip(one.at.tolist(), one.value.tolist(), strict=True)
        ]
        dash = _DASHES[number % len(_DASHES)] or None
        colour = _COLOURS[family_of(one.channel.quantity, one.zone)]
        parts.append(svg.path(points, stroke=colour, stroke_width=1.2, stroke_linejoin="round", stroke_dasharray=dash))
    if unit == "%RH":
        parts += _rain(report["misting"], axis, top + height)
    parts += _legend([(family_of(c.channel.quantity, c.zone), c.channel.quantity, c.zone) for c in some], top - 6)
    return [*parts, frame(top, height)]


def _rain(cycles: Iterable[Body], axis: TimeAxis, foot: float) -> Iterator[str]:
    for cycle in cycles:
        at = ms_of(cycle["at"])
        if axis.start_ms <= at < axis.end_ms:
            x, worked = axis.x(at), cycle["verdict"] == "confirmed"
            yield svg.element(
                "path", d=f"M{x:.1f} {foot - 12:.1f}l4 9h-8z", fill=svg.WATER if worked else svg.PAPER,
                stroke=svg.WATER if worked else svg.ACT,
            )  # fmt: skip
