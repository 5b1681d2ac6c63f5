"""Two sides on one chart: each zone a panel, each side a ribbon from lowest to highest with its medians as a line."""

from collections.abc import Iterator, Sequence
from datetime import date
from typing import Final

from service.lookback.degrees import Degrees
from service.lookback.forms import svg
from service.lookback.forms.axes import LEFT, RIGHT, WIDTH, axis_for, frame
from service.lookback.forms.channel_days import ChannelDays
from service.lookback.forms.document import Picture
from service.lookback.lives.side_by_side import Pair
from service.lookback.words import counted

_PANEL, _GAP, _FOOT = 120.0, 30.0, 22.0
_FIRST, _SECOND = svg.WARM, svg.COOL
_MOST_PANELS: Final = 5
_MOST_TICKS: Final = 10


def pair_picture(
    pairs: Sequence[Pair], starts: tuple[date, date], names: tuple[str, str], degrees: Degrees = "C"
) -> Picture:
    """Return both sides, day by day from the first of each.

    Parameters
    ----------
    pairs : sequence of Pair
    starts : (date, date)
        The first local day of each side.
    names : (str, str)
    degrees : str
        "C" or "F": what is written at the levels of temperature.
    """
    shown = pairs[:_MOST_PANELS]
    length = max(
        (
            (day - start).days + 1
            for pair in shown
            for start, side in _sides(pair, starts)
            for c in side
            for day in c.days
        ),
        default=1,
    )
    parts = list(_names(names))
    foot = 22.0
    for pair in shown:
        parts += _panel(pair, starts, length, foot + _GAP, degrees)
        foot += _GAP + _PANEL
    parts += _days_axis(length, foot)
    alt = f"{names[0]} and {names[1]} over {counted(length, 'day')}: " + ", ".join(pair.what for pair in shown) + "."
    said = "Each band reaches from the lowest to the highest reading of a day; the line joins the medians of the days."
    return Picture(svg.drawing(WIDTH, foot + _FOOT, alt, parts), alt, said)


def _sides(pair: Pair, starts: tuple[date, date]) -> Iterator[tuple[date, tuple[ChannelDays, ...]]]:
    yield starts[0], pair.first
    yield starts[1], pair.second


def _names(names: tuple[str, str]) -> Iterator[str]:
    x = LEFT
    for name, colour, dash in zip(names, (_FIRST, _SECOND), (None, "6 3"), strict=True):
        yield svg.element("line", x1=x, x2=x + 22, y1=12, y2=12, stroke=colour, stroke_width=3, stroke_dasharray=dash)
        yield svg.text(x + 28, 16, name[:50], font_size=12)
        x += 50 + 6.5 * min(50, len(name))


def _x(number: float, length: int) -> float:
    return LEFT + (WIDTH - LEFT - RIGHT) * number / length


def _panel(pair: Pair, starts: tuple[date, date], length: int, top: float, degrees: Degrees) -> list[str]:
    values = [float(v) for _, side in _sides(pair, starts) for c in side for v in (c.low.min(), c.high.max())]
    levels = axis_for(values, top, _PANEL, humidity=pair.unit == "%RH")
    parts = levels.ticks("°F" if pair.unit == "°C" and degrees == "F" else pair.unit)
    parts.append(svg.text(LEFT + 4, top - 6, pair.what))
    for (start, side), colour, dash in zip(_sides(pair, starts), (_FIRST, _SECOND), (None, "6 3"), strict=True):
        for one in side:
            points: list[tuple[float, float] | None] = []
            before = None
            for day, low, median, high in zip(one.days, one.low, one.median, one.high, strict=True):
                number = (day - start).days
                y = levels.y(high)
                parts.append(
                    svg.element(
                        "rect", x=_x(number, length), y=y, width=_x(1, length) - LEFT + 0.2, fill=colour,
                        height=max(0.8, levels.y(low) - y), fill_opacity=0.2,
                    )
                )  # fmt: skip
                if before is not None and number != before + 1:
                    points.append(None)
                points.append((_x(number + 0.5, length), levels.y(median)))
                before = number
            parts.append(svg.path(points, stroke=colour, stroke_width=2, stroke_dasharray=dash))
    return [*parts, frame(top, _PANEL)]


def _days_axis(length: int, foot: float) -> Iterator[str]:
    step = max(1, -(-length // _MOST_TICKS))
    for number in range(0, length, step):
        x = _x(number, length)
        yield svg.element("line", x1=x, x2=x, y1=foot, y2=foot + 4, stroke=svg.INK)
        yield svg.text(x + 1, foot + 15, f"day {number + 1}", fill=svg.SOFT)
