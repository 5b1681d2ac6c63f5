import re
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import plotly.graph_objects as go
import pytest

from dashboard.day import Band, day_axis
from dashboard.figures.palette import PALETTES
from dashboard.figures.ticks import local_text, local_texts, local_ticks
from dashboard.figures.timeline import AlarmSpan, Line, Rain, Timeline, timeline_figure
from service.climate.ranges import DAY_MS, HOUR_MS, MINUTE_MS
from service.model import to_ms
from tests.dashboard.glasshouse import NOW, Visitor

LISBON = ZoneInfo("Europe/Lisbon")
START = to_ms(NOW) - DAY_MS
LIGHT = PALETTES["light"]


def a_line(zone: str = "basking", quantity: str = "air_temperature", value: float = 33.0, unit: str = "°C") -> Line:
    at = START + np.arange(0, 1440) * MINUTE_MS
    return Line(zone, zone, quantity, unit, at, np.full(1440, value), np.empty((0, 2), dtype=np.int64))


def a_timeline(**changes: object) -> Timeline:
    usual: dict = {
        "start_ms": START, "end_ms": START + DAY_MS, "zone": LISBON, "lines": [a_line()], "bands": {}, "nights": [],
        "rain": [], "alarms": [], "now_ms": START + DAY_MS,
    }  # fmt: skip
    return Timeline(**(usual | changes))


def traces(figure: go.Figure, name: str) -> list[go.Scatter]:
    return [trace for trace in figure.data if trace.name == name]


def test_each_quantity_has_a_panel_with_its_unit_on_one_time_axis() -> None:
    lines = [a_line(), a_line("ambient", value=25), a_line("ambient", "relative_humidity", 60, "%RH")]
    figure = timeline_figure(a_timeline(lines=lines), LIGHT)
    assert [axis.title.text for axis in figure.select_yaxes()] == ["Temperature [°C]", "Humidity [%RH]"]
    assert {tuple(axis.range) for axis in figure.select_xaxes()} == {(START, START + DAY_MS)}
    assert [axis.matches for axis in figure.select_xaxes()] == ["x2", None]


def test_lines_have_the_colours_of_their_zones() -> None:
    lines = [a_line(zone) for zone in ("basking", "ambient", "cool-end")]
    lines.append(a_line("canopy", "relative_humidity", 60, "%RH"))
    figure = timeline_figure(a_timeline(lines=lines), LIGHT)
    colours = {trace.name: trace.line.color for trace in figure.data}
    assert colours == {"basking": LIGHT.warm, "ambient": LIGHT.middle, "cool-end": LIGHT.cool, "canopy": LIGHT.water}


def test_a_gap_breaks_the_line_and_is_hatched() -> None:
    line = a_line()
    value = line.value.copy()
    value[600:700] = np.nan
    gap = np.array([[int(line.at[600]), int(line.at[700])]])
    figure = timeline_figure(
        a_timeline(lines=[Line("basking", "basking", "air_temperature", "°C", line.at, value, gap)]), LIGHT
    )
    (drawn,) = traces(figure, "basking")
    assert drawn.connectgaps is False
    assert np.isnan(np.asarray(drawn.y, dtype=float)[600:700]).all()
    (hatched,) = traces(figure, "no data")
    assert hatched.fillpattern.shape == "/"
    assert (min(x for x in hatched.x if x), max(x for x in hatched.x if x)) == (gap[0, 0], gap[0, 1])


def test_where_one_line_of_two_is_known_only_the_foot_of_the_panel_is_hatched() -> None:
    known, line = a_line("ambient", value=25), a_line()
    gap = np.array([[int(line.at[600]), int(line.at[700])]])
    half = Line("basking", "basking", "air_temperature", "°C", line.at, line.value, gap)
    figure = timeline_figure(a_timeline(lines=[known, half]), LIGHT)
    (hatched,) = traces(figure, "no data")
    low, high = figure.layout.yaxis.range
    assert max(y for y in hatched.y if y is not None) < low + 0.1 * (high - low)


def test_target_bands_step_where_they_are_told() -> None:
    middle = START + DAY_MS // 2
    bands = {("Temperature", "warm"): [Band(START, middle, 31, 36), Band(middle, START + DAY_MS, 20, np.inf)]}
    figure = timeline_figure(a_timeline(bands=bands), LIGHT)
    (drawn,) = traces(figure, "target")
    assert drawn.x[:5] == (START, middle, middle, START, START)
    assert drawn.y[:5] == (31, 31, 36, 36, 31)
    assert drawn.x[5] is None
    assert drawn.y[8] == figure.layout.yaxis.range[1]  # an open end reaches the edge


def test_alarms_are_spans_on_lanes_of_their_own() -> None:
    alarms = [
        AlarmSpan(START, START + 3 * HOUR_MS, "high", "one"),
        AlarmSpan(START + HOUR_MS, START + 2 * HOUR_MS, "low", "two"),
        AlarmSpan(START + 4 * HOUR_MS, START + 5 * HOUR_MS, "high", "three"),
    ]
    figure = timeline_figure(a_timeline(alarms=alarms), LIGHT)
    lanes = {trace.customdata[0]: trace.y[0] for trace in traces(figure, "alarm")}
    assert lanes == {"one": 0, "two": -1, "three": 0}
    assert {trace.customdata[0]: (trace.x[0], trace.x[-1]) for trace in traces(figure, "alarm")}["two"] == (
        START + HOUR_MS,
        START + 2 * HOUR_MS,
    )


def test_misting_is_marked_by_its_verdict() -> None:
    rain = [Rain(START + HOUR_MS, "confirmed", "yes"), Rain(START + 2 * HOUR_MS, "none", "no")]
    lines = [a_line("ambient", "relative_humidity", 60, "%RH")]
    figure = timeline_figure(a_timeline(lines=lines, rain=rain), LIGHT)
    assert traces(figure, "misting confirmed")[0].marker.symbol == "triangle-up"
    assert traces(figure, "misting none")[0].marker.color == LIGHT.act


def test_an_enclosure_without_channels_gives_an_empty_figure() -> None:
    figure = timeline_figure(a_timeline(lines=[]), LIGHT)
    assert len(figure.data) == 0


@pytest.mark.parametrize(
    ("day", "hours"), [("2026-03-29", 23), ("2026-10-25", 25), ("2026-06-01", 24)], ids=["spring", "autumn", "plain"]
)
def test_ticks_stand_at_local_hours_on_days_when_the_clocks_change(day: str, hours: int) -> None:
    axis = day_axis(date.fromisoformat(day), LISBON)
    assert axis.end_ms - axis.start_ms == hours * HOUR_MS
    at, text = local_ticks(axis.start_ms, axis.end_ms, LISBON)
    assert dict(zip(text, at, strict=True))["18:00"] == axis.end_ms - 6 * HOUR_MS
    assert len(set(at)) == len(at)


@pytest.mark.parametrize("days", [0.02, 0.5, 1, 7, 30, 365, 1000])
def test_a_time_axis_has_a_few_ticks_at_any_length(days: float) -> None:
    at, text = local_ticks(START, START + int(days * DAY_MS), LISBON)
    assert 3 <= len(at) <= 13
    assert at == sorted(at)
    assert len(at) == len(text)


@pytest.mark.parametrize("zone", ["Europe/Lisbon", "Australia/Lord_Howe", "Asia/Kathmandu"])
def test_the_times_of_many_points_are_written_as_each_by_itself(zone: str) -> None:
    # Over a year, and each half hour of four weeks in which clocks change.
    change = to_ms(datetime(2026, 3, 20, tzinfo=UTC))
    at = np.unique(np.concatenate([START + np.arange(0, 400) * 79_200_123, change + np.arange(0, 1_344) * 1_800_000]))
    assert local_texts(at, ZoneInfo(zone)) == [local_text(one, ZoneInfo(zone)) for one in at.tolist()]
    assert local_texts(at[:0], ZoneInfo(zone)) == []


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_figures_have_the_colours_of_the_style_sheet(theme: str) -> None:
    sheet = (Path(__file__).parents[2] / "dashboard" / "static" / "css" / "theme.css").read_text(encoding="utf-8")
    blocks = re.findall(r"(:root[^{]*)\{([^}]*)\}", sheet)
    chosen = next(body for head, body in blocks if ("dark" in head) == (theme == "dark"))
    stated = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", chosen))
    palette = PALETTES[theme]
    for name in palette.__slots__:
        assert getattr(palette, name) == stated[name.replace("_", "-")], name


def luminance(colour: str) -> float:
    """Return the relative luminance. Source: WCAG 2.2, definition of relative luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_lines_stand_out_from_the_grounds_that_they_cross(theme: str) -> None:
    palette = PALETTES[theme]
    for line in (palette.warm, palette.middle, palette.cool, palette.water):
        for ground in (palette.lit, palette.dark, palette.case):
            # WCAG 2.2, 1.4.11: graphics need 3:1.
            assert contrast(line, ground) >= 3, (line, ground)
    for text in (palette.ink, palette.soft):
        assert contrast(text, palette.case) >= 4.5


def test_the_figure_of_a_real_enclosure_steps_at_lights_on_and_off(client: Visitor) -> None:
    figure = client.get(f"/enclosures/hot/figure?from={START}&to={START + DAY_MS}").json()
    names = [trace["name"] for trace in figure["data"]]
    assert {"Basking spot, surface", "Ambient", "Ambient, relative humidity", "target", "alarm"} <= set(names)
    nights = [shape for shape in figure["layout"]["shapes"] if shape["name"] == "night"]
    lights_off, lights_on = to_ms(NOW.replace(day=9, hour=19, minute=30)), to_ms(NOW.replace(hour=7, minute=30))
    assert [(night["x0"], night["x1"]) for night in nights] == [(lights_off, lights_on)]
    edges = {x for trace in figure["data"] if trace["name"] == "target" for x in trace["x"] if x is not None}
    assert {lights_off, lights_on} <= edges
    assert figure["layout"]["xaxis"]["ticktext"]


@pytest.mark.parametrize("days", [7, 30, 365])
def test_longer_spans_are_drawn_with_bounded_detail(client: Visitor, days: int) -> None:
    end = to_ms(NOW)
    answer = client.get(f"/enclosures/steady/figure?from={end - days * DAY_MS}&to={end}&theme=dark")
    assert answer.status_code == 200
    assert len(answer.content) < 1_500_000


def test_a_span_that_begins_between_two_readings_is_not_hatched_at_its_edge(client: Visitor) -> None:
    start = START + 20_000
    figure = client.get(f"/enclosures/steady/figure?from={start}&to={start + HOUR_MS}").json()
    assert "no data" not in [trace["name"] for trace in figure["data"]]
