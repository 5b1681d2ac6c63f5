"""An enclosure over a span: a panel a quantity on one time axis, zones as lines, targets as bands, alarms as spans."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from dashboard.day import Band
from dashboard.fahrenheit import fahrenheit
from dashboard.figures.palette import Palette, see_through
from dashboard.figures.ticks import MOST_TICKS, local_text, local_texts, local_ticks
from dashboard.marks import Mark
from service.climate.ranges import Floats, Instants, Spans
from service.climate.series import merged, without

_TEMPERATURE: Final = "Temperature"
_PANELS: Final = {
    "air_temperature": _TEMPERATURE,
    "surface_temperature": _TEMPERATURE,
    "substrate_temperature": _TEMPERATURE,
    "relative_humidity": "Humidity",
    "soil_moisture": "Soil moisture",
    "illuminance": "Light",
    "uv_index": "UV index",
    "power": "Power",
    "switch": "Switch",
    "battery": "Battery",
    "signal": "Signal",
}
_PANEL_PX, _ALARM_PX, _MARGIN_PX = 230, 60, 90
_WARM: Final = ("basking", "warm-end")
_COOL: Final = ("cool-end", "retreat", "substrate")
_DASHES: Final = {"surface_temperature": "solid", "substrate_temperature": "dot"}
_RAIN_SYMBOLS: Final = {
    "confirmed": "triangle-up",
    "weak": "triangle-up-open",
    "none": "x-thin",
    "due": "circle-open",
}


_MARKS: Final = {
    "note": ("noted", "square"),
    "animal": ("animals", "diamond"),
    "equipment": ("new equipment", "hexagon"),
    "care": ("care", "pentagon"),
}
"""What people did: what it is called, and its shape."""


@dataclass(frozen=True, eq=False)
class Line:
    """One channel in one zone.

    Parameters
    ----------
    name, zone, quantity, unit : str
        `unit` as it is shown.
    at : ndarray of int64, shape (n,)
        [ms, UTC]
    value : ndarray of float64, shape (n,)
        NaN is a break. [unit]
    gaps : ndarray of int64, shape (m, 2)
        When nothing is known. [ms, UTC]
    """

    name: str
    zone: str
    quantity: str
    unit: str
    at: Instants
    value: Floats
    gaps: Spans


@dataclass(frozen=True, slots=True)
class Rain:
    """A misting cycle: when [ms, UTC], what became of it, and a sentence."""

    at_ms: int
    verdict: str
    sentence: str


@dataclass(frozen=True, slots=True)
class AlarmSpan:
    """An alarm: from when until when [ms, UTC], its priority, and a sentence."""

    start_ms: int
    end_ms: int
    priority: str
    sentence: str


@dataclass(frozen=True, eq=False)
class Timeline:
    """What is drawn.

    Parameters
    ----------
    start_ms, end_ms : int
        The view. [ms, UTC]
    zone : ZoneInfo
    lines : sequence of Line
    bands : mapping of (panel, colour family) to bands
        Panel "Temperature" or "Humidity"; family "warm", "middle", "cool" or "water".
    nights : sequence of (start, end)
        [ms, UTC]
    rain : sequence of Rain
    alarms : sequence of AlarmSpan
    now_ms : int
    most_ticks : int
        As many as the width has room for.
    marks : sequence of Mark
        What people did.
    """

    start_ms: int
    end_ms: int
    zone: ZoneInfo
    lines: Sequence[Line]
    bands: Mapping[tuple[str, str], Sequence[Band]]
    nights: Sequence[tuple[int, int]]
    rain: Sequence[Rain]
    alarms: Sequence[AlarmSpan]
    now_ms: int
    most_ticks: int = MOST_TICKS
    marks: Sequence[Mark] = ()


def timeline_in_fahrenheit(timeline: Timeline) -> Timeline:
    """Return the same with its temperatures in degrees Fahrenheit."""
    lines = [
        replace(line, value=fahrenheit(line.value), unit="°F") if line.unit == "°C" else line for line in timeline.lines
    ]
    bands = {
        (panel, family): [replace(b, low=fahrenheit(b.low), high=fahrenheit(b.high)) for b in found]
        if panel == _TEMPERATURE
        else found
        for (panel, family), found in timeline.bands.items()
    }
    return replace(timeline, lines=lines, bands=bands)


def panel_of(quantity: str) -> str:
    """Return the name of the panel that shows a quantity."""
    return _PANELS.get(quantity, quantity.replace("_", " ").capitalize())


def colour_of(line: Line, palette: Palette) -> str:
    """Return a line's colour: temperatures by their zone, all that is water in one."""
    if line.quantity in {"relative_humidity", "soil_moisture"}:
        return palette.water
    if panel_of(line.quantity) != _TEMPERATURE:
        return palette.ink
    return palette.warm if line.zone in _WARM else palette.cool if line.zone in _COOL else palette.middle


def timeline_figure(timeline: Timeline, palette: Palette) -> go.Figure:
    """Return the figure.

    Parameters
    ----------
    timeline : Timeline
    palette : Palette

    Returns
    -------
    plotly.graph_objects.Figure
        The x axis is linear in milliseconds since 1970, with ticks at local times: a local axis would fold back where
        clocks do. Gaps are breaks, hatched.
    """
    panels = list(dict.fromkeys(panel_of(line.quantity) for line in _ordered(timeline.lines)))
    heights = [_PANEL_PX] * len(panels) + ([_ALARM_PX] if timeline.alarms else [])
    rows = max(1, len(heights))
    figure = make_subplots(rows=rows, cols=1, shared_xaxes=True, vertical_spacing=0.03, row_heights=heights or None)
    for number, panel in enumerate(panels, 1):
        _add_panel(figure, timeline, panel, number, palette)
    if timeline.marks and panels:
        _add_marks(figure, timeline, palette)
    if timeline.alarms:
        _add_alarms(figure, timeline, rows, palette)
    _add_nights(figure, timeline, palette)
    _lay_out(figure, timeline, palette, sum(heights) + _MARGIN_PX)
    return figure


def _ordered(lines: Iterable[Line]) -> list[Line]:
    order = list(_PANELS)
    return sorted(lines, key=lambda line: order.index(line.quantity) if line.quantity in order else len(order))


def _add_panel(figure: go.Figure, timeline: Timeline, panel: str, row: int, palette: Palette) -> None:
    lines = [line for line in _ordered(timeline.lines) if panel_of(line.quantity) == panel]
    extent = _extent(timeline, panel, lines)
    for (where, family), bands in timeline.bands.items():
        if where == panel and bands:
            figure.add_trace(_band_trace(bands, getattr(palette, f"{family}_band"), extent), row=row, col=1)
    hatched = _hatched(lines, extent)
    if hatched:
        figure.add_trace(_gap_trace(hatched, palette), row=row, col=1)
    for line in lines:
        figure.add_trace(_line_trace(line, timeline.zone, palette), row=row, col=1)
    if panel == "Humidity" and timeline.rain:
        for trace in _rain_traces(timeline, extent, palette):
            figure.add_trace(trace, row=row, col=1)
    unit = lines[0].unit
    figure.update_yaxes(
        row=row, col=1, title_text=f"{panel} [{unit}]" if unit else panel, range=list(extent), fixedrange=True
    )


def _extent(timeline: Timeline, panel: str, lines: Sequence[Line]) -> tuple[float, float]:
    """Return the lowest and the highest value that a panel has to show, with some room."""
    known = [line.value[~np.isnan(line.value)] for line in lines]
    ends = [float(end) for value in known if value.size for end in (value.min(), value.max())]
    for (where, _), bands in timeline.bands.items():
        if where == panel:
            ends += [end for band in bands for end in (band.low, band.high) if np.isfinite(end)]
    if not ends:
        return 0.0, 100.0
    room = max(1.0, 0.08 * (max(ends) - min(ends)))
    low, high = min(ends) - room, max(ends) + room
    return (max(0.0, low), min(105.0, high)) if panel == "Humidity" else (low, high)


def _rectangles(spans: Iterable[tuple[float, float, float, float]]) -> tuple[list[float | None], list[float | None]]:
    """Return (start, end, low, high) rows as closed outlines, parted by None."""
    x: list[float | None] = []
    y: list[float | None] = []
    for start, end, low, high in spans:
        x += [start, end, end, start, start, None]
        y += [low, low, high, high, low, None]
    return x, y


def _band_trace(bands: Sequence[Band], colour: str, extent: tuple[float, float]) -> go.Scatter:
    x, y = _rectangles((b.start_ms, b.end_ms, max(b.low, extent[0]), min(b.high, extent[1])) for b in bands)
    return go.Scatter(
        x=x, y=y, fill="toself", fillcolor=see_through(colour, 0.34), line={"width": 0}, mode="lines",
        hoverinfo="skip", showlegend=False, name="target",
    )  # fmt: skip


def _hatched(lines: Sequence[Line], extent: tuple[float, float]) -> list[tuple[float, float, float, float]]:
    """Return what is hatched: the whole height where no line is known, the panel's foot where one of them is not."""
    every = merged(np.concatenate([line.gaps for line in lines]))
    if not len(every):
        return []
    low, high = extent
    known = [without(every, line.gaps) for line in lines]
    unknown = without(every, np.concatenate(known))
    foot = low + 0.08 * (high - low)
    partly = [(start, end, low, foot) for start, end in without(every, unknown).tolist()]
    return [(start, end, low, high) for start, end in unknown.tolist()] + partly


def _gap_trace(hatched: Sequence[tuple[float, float, float, float]], palette: Palette) -> go.Scatter:
    x, y = _rectangles(hatched)
    return go.Scatter(
        x=x, y=y, fill="toself", fillcolor="rgba(0,0,0,0)", line={"width": 0}, mode="lines", hoverinfo="skip",
        fillpattern={"shape": "/", "size": 8, "solidity": 0.18, "fgcolor": palette.soft, "bgcolor": "rgba(0,0,0,0)"},
        showlegend=False, name="no data",
    )  # fmt: skip


def _line_trace(line: Line, zone: ZoneInfo, palette: Palette) -> go.Scatter:
    decimals = 1 if line.unit in {"°C", "°F", "UV index"} else 0
    return go.Scatter(
        x=line.at,
        y=np.round(line.value, 3),
        mode="lines",
        connectgaps=False,
        name=line.name,
        meta={"unit": line.unit, "decimals": decimals},
        line={"color": colour_of(line, palette), "width": 1.8, "dash": _DASHES.get(line.quantity, "solid")},
        customdata=local_texts(line.at, zone),
        hovertemplate=f"<b>%{{y:.{decimals}f}} {line.unit}</b> · %{{customdata}}<extra>{line.name}</extra>",
    )


def _rain_traces(timeline: Timeline, extent: tuple[float, float], palette: Palette) -> Iterable[go.Scatter]:
    height = extent[0] + 0.06 * (extent[1] - extent[0])
    for verdict in dict.fromkeys(rain.verdict for rain in timeline.rain):
        marks = [rain for rain in timeline.rain if rain.verdict == verdict]
        colour = palette.act if verdict == "none" else palette.water
        yield go.Scatter(
            x=[mark.at_ms for mark in marks],
            y=[height] * len(marks),
            mode="markers",
            name=f"misting {verdict}",
            marker={
                "symbol": _RAIN_SYMBOLS.get(verdict, "circle-open"),
                "size": 11,
                "color": colour,
                "line": {"width": 2, "color": colour},
            },
            customdata=[mark.sentence for mark in marks],
            hovertemplate="%{customdata}<extra></extra>",
        )


def _add_marks(figure: go.Figure, timeline: Timeline, palette: Palette) -> None:
    """Add what people did, each kind with a shape of its own, along the top of the first panel."""
    layout: Any = figure.layout
    low, high = layout.yaxis.range
    for kind, (name, symbol) in _MARKS.items():
        marks = [mark for mark in timeline.marks if mark.kind == kind]
        if marks:
            figure.add_trace(
                go.Scatter(
                    x=[mark.at_ms for mark in marks],
                    y=[high - 0.05 * (high - low)] * len(marks),
                    mode="markers",
                    name=name,
                    marker={
                        "symbol": symbol, "size": 12, "color": palette.case, "line": {"width": 2, "color": palette.ink},
                    },
                    customdata=[f"{local_text(mark.at_ms, timeline.zone)}: {mark.sentence}" for mark in marks],
                    hovertemplate="%{customdata}<extra></extra>",
                ),
                row=1,
                col=1,
            )  # fmt: skip


def _add_alarms(figure: go.Figure, timeline: Timeline, row: int, palette: Palette) -> None:
    """Add a thin panel in which each alarm is a bar from raised to returned, on lanes so that none hides another."""
    lanes: list[int] = []
    for alarm in sorted(timeline.alarms, key=lambda a: a.start_ms):
        lane = next((n for n, until in enumerate(lanes) if until <= alarm.start_ms), len(lanes))
        lanes[lane : lane + 1] = [alarm.end_ms]
        colour = palette.drift_line if alarm.priority == "low" else palette.act
        middle = (alarm.start_ms + alarm.end_ms) // 2
        figure.add_trace(
            go.Scatter(
                x=[alarm.start_ms, middle, alarm.end_ms],
                y=[-lane] * 3,
                mode="lines+markers",
                line={"color": colour, "width": 9},
                marker={"size": 9, "symbol": "square"},
                hovertemplate="%{customdata}<extra></extra>",
                customdata=[alarm.sentence] * 3,
                showlegend=False,
                name="alarm",
            ),
            row=row,
            col=1,
        )
    figure.update_yaxes(
        row=row, col=1, title_text="Alarms", range=[-len(lanes) + 0.4, 0.6], showticklabels=False, showgrid=False,
        fixedrange=True,
    )  # fmt: skip


def _add_nights(figure: go.Figure, timeline: Timeline, palette: Palette) -> None:
    shapes = [
        {
            "type": "rect", "xref": "x", "yref": "paper", "x0": start, "x1": end, "y0": 0, "y1": 1, "layer": "below",
            "line": {"width": 0}, "fillcolor": see_through(palette.dark, 0.75), "name": "night",
        }
        for start, end in timeline.nights
    ]  # fmt: skip
    shapes += [
        {
            "type": "line", "xref": "x", "yref": "paper", "x0": mark.at_ms, "x1": mark.at_ms, "y0": 0, "y1": 1,
            "line": {"width": 1, "dash": "dot", "color": palette.soft}, "name": "mark",
        }
        for mark in timeline.marks
    ]  # fmt: skip
    if timeline.start_ms <= timeline.now_ms < timeline.end_ms:
        now = {"type": "line", "xref": "x", "yref": "paper", "x0": timeline.now_ms, "x1": timeline.now_ms}
        shapes.append(now | {"y0": 0, "y1": 1, "line": {"width": 1.5, "color": palette.ink}, "name": "now"})
    figure.update_layout(shapes=shapes)


def _lay_out(figure: go.Figure, timeline: Timeline, palette: Palette, height: int) -> None:
    at, text = local_ticks(timeline.start_ms, timeline.end_ms, timeline.zone, timeline.most_ticks)
    figure.update_xaxes(
        type="linear", range=[timeline.start_ms, timeline.end_ms], tickmode="array", tickvals=at, ticktext=text,
        gridcolor=palette.hair, zeroline=False, tickangle=0,
    )  # fmt: skip
    figure.update_yaxes(gridcolor=palette.hair, zeroline=False, title_standoff=6)
    figure.update_layout(
        height=height,
        template="none",
        paper_bgcolor=palette.case,
        plot_bgcolor=see_through(palette.lit, 0.55) if timeline.nights else palette.case,
        font={"family": "system-ui, sans-serif", "size": 13, "color": palette.ink},
        margin={"l": 64, "r": 14, "t": 44, "b": 36},
        legend={"orientation": "h", "x": 0, "y": 1, "yanchor": "bottom", "xanchor": "left"},
        hovermode="closest",
        hoverlabel={"bgcolor": palette.case, "font": {"color": palette.ink}},
        dragmode="zoom",
        uirevision="view",
    )
