import math
from datetime import date, timedelta
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from dashboard.calendar import WEEK, WEEKS, window_of
from dashboard.figures.plot import Frame, area_path, line_path, runs, ticks
from dashboard.figures.rain_response import Curve, draw_curves
from dashboard.figures.typical import Pattern, draw_pattern
from dashboard.pages.days import date_of
from dashboard.typical import LEAST_BEFORE, LEAST_OF_WEEK, hours_of
from dashboard.verdicts import percent, target_words, uncertainty_words, value_words

SVG = "{http://www.w3.org/2000/svg}"
DATES = st.dates(date(1990, 1, 1), date(2150, 1, 1))
HOURS = arrays(np.float64, 24, elements=st.one_of(st.just(math.nan), st.floats(-20, 95)))


def drawing(markup: str) -> ET.Element:
    """Parse a picture: one that is not well-formed is an error."""
    return ET.fromstring(f'<div xmlns="http://www.w3.org/2000/svg">{markup}</div>')  # noqa: S314 - our own picture


@given(today=DATES, back=st.integers(0, 3_000))
def test_every_day_lies_in_its_window_of_whole_weeks(today: date, back: int) -> None:
    day = today - timedelta(back)
    window = window_of(day, today)
    assert window.first <= day <= window.last
    assert window.first.weekday() == 0
    assert (window.last - window.first).days == WEEK * WEEKS - 1
    # Windows tile the past: the one before ends where this one begins.
    assert window_of(window.before.last, today) == window.before


@given(today=DATES)
def test_the_newest_window_holds_today(today: date) -> None:
    assert window_of(today, today).last - today < timedelta(WEEK)


@given(share=st.floats(0, 1))
def test_a_share_is_never_rounded_to_all_or_none(share: float) -> None:
    said = percent(share)
    assert (said == "100\N{NO-BREAK SPACE}%") == (share == 1)
    assert (said == "0\N{NO-BREAK SPACE}%") == (share == 0)


def result(check: str, value: float | None, shown_in: str, **target: Any) -> dict[str, Any]:
    ends = {"low": None, "high": None, "share": None, "unit": "°C", "source": ""} | target
    return {"check": check, "value": value, "unit": shown_in, "uncertainty": 0.33, "target": ends}


@pytest.mark.parametrize(
    ("given_result", "value", "target"),
    [
        (result("hot-spot", 0.842, "1", low=31.0, high=36.0, share=0.8), "84 %", "31.0–36.0 °C for 80 %"),
        (result("hot-spot-peak", 38.04, "°C", high=38.0), "38.0 °C", "at most 38.0 °C"),
        (
            result("misting-cycles", 0.5, "1", low=10.0, share=1.0, unit="%RH"),
            "50 %",
            "100 % of cycles with at least 10 %RH",
        ),
        (result("photoperiod", None, "h", low=11.0, high=13.0, unit="h"), "–", "11–13 h"),
        (result("humidity-spikes", 2.0, "a day", low=1.0, high=3.0, unit="a day"), "2 a day", "1–3 a day"),
    ],
)
def test_values_and_targets_are_told_with_their_units(given_result: dict[str, Any], value: str, target: str) -> None:
    assert value_words(given_result).replace("\N{NO-BREAK SPACE}", " ") == value
    assert target_words(given_result).replace("\N{NO-BREAK SPACE}", " ") == target


def test_an_uncertainty_has_the_unit_of_the_readings_and_is_never_zero() -> None:
    tiny = result("hot-spot", 1.0, "1") | {"uncertainty": 0.02}
    assert uncertainty_words(tiny).replace("\N{NO-BREAK SPACE}", " ") == "± 0.02 °C"
    assert uncertainty_words(result("dry-down", 3.0, "h")).endswith("%RH")
    assert uncertainty_words(result("hot-spot", None, "1")) == "–"


@pytest.mark.parametrize("text", ["2026-3-1", "20260301", "2026-W10-1", "2026-02-29", "", "2026-03-01T00:00"])
def test_what_is_no_plain_date_is_none(text: str) -> None:
    assert date_of(text) is None


@given(low=st.floats(-1e6, 1e6), width=st.floats(1e-3, 1e6))
def test_ticks_are_few_round_and_inside(low: float, width: float) -> None:
    found = ticks(low, low + width)
    assert len(found) <= 6
    assert all(low - 1e-6 * width <= tick <= low + width * (1 + 1e-6) for tick in found)


@given(value=HOURS)
def test_a_line_is_broken_wherever_nothing_is_known(value: np.ndarray) -> None:
    frame = Frame(0, 24, -25, 100)
    path = line_path(frame, np.arange(24.0), value)
    assert path.count("M") == len(list(runs(value)))
    assert sum(part.stop - part.start for part in runs(value)) == int(np.count_nonzero(~np.isnan(value)))
    assert area_path(frame, np.arange(24.0), value, value).count("Z") == path.count("M")


@given(week=HOURS, edge=HOURS, width=st.floats(0, 10))
def test_a_pattern_is_well_formed_and_rings_exactly_the_hours_outside(
    week: np.ndarray, edge: np.ndarray, width: float
) -> None:
    beyond = np.where(
        week > edge + width, 1.0, np.where(week < edge, -1.0, np.where(np.isnan(week + edge), np.nan, 0.0))
    )
    pattern = Pattern(
        week, edge, edge + width, beyond, [(7.5, 19.5)], [(7.5, 19.5, 20, math.inf)], "°C", "warm", 'a "label" & <more>'
    )
    picture = drawing(draw_pattern(pattern))
    rings = picture.findall(f".//{SVG}circle")
    assert len(rings) == int(np.count_nonzero(np.nan_to_num(beyond)))
    assert picture.find(f"{SVG}svg[@role='img']").attrib["aria-label"] == 'a "label" & <more>'


@given(
    responses=st.lists(st.floats(-5, 45), min_size=1, max_size=20),
    verdict=st.sampled_from(["confirmed", "weak", "none", "saturated", None]),
)
def test_curves_are_well_formed_with_the_newest_told_in_words(responses: list[float], verdict: str | None) -> None:
    minutes = np.arange(-10.0, 91.0, 5.0)
    curves = [Curve(minutes, np.where(minutes > 0, r, 0.0), verdict, r) for r in responses]
    picture = drawing(draw_curves(curves, 10.0, "label"))
    assert len(picture.findall(f".//{SVG}path")) == len(responses)
    words = " ".join("".join(text.itertext()) for text in picture.findall(f".//{SVG}text"))
    assert f"newest {max(0.0, responses[-1]):.0f}" in words.replace("\N{NO-BREAK SPACE}", " ")
    marked = picture.findall(f".//{SVG}use")
    assert len(marked) == (len(responses) if verdict in {"weak", "none"} else 0)


def test_a_drift_is_seen_against_the_days_before_and_not_against_itself() -> None:
    rng = np.random.default_rng(5)
    before = 30 + rng.normal(0, 0.3, (84, 24))
    found = hours_of(np.vstack((before, np.full((7, 24), 28.0)))).beyond("°C")
    assert (found < -1).all()
    alike = hours_of(np.vstack((before, np.full((7, 24), 30.0)))).beyond("°C")
    assert (alike == 0).all()


def test_a_difference_that_the_probe_cannot_tell_is_none() -> None:
    medians = np.vstack((np.full((84, 24), 30.0), np.full((7, 24), 30.2)))
    assert (hours_of(medians, repeat_uncertainty=0.3).beyond("°C") == 0).all()
    assert hours_of(medians, repeat_uncertainty=0.1).beyond("°C") == pytest.approx(0.2)


@pytest.mark.parametrize(("week", "before"), [(LEAST_OF_WEEK - 1, 84), (7, LEAST_BEFORE - 1), (0, 0)])
def test_too_few_days_are_no_typical_day(week: int, before: int) -> None:
    medians = np.full((91, 24), np.nan)
    medians[84 - before : 84 + week] = 25.0
    hours = hours_of(medians)
    assert np.isnan(hours.week).all() == (week < LEAST_OF_WEEK)
    assert np.isnan(hours.low).all() == (before < LEAST_BEFORE)
    assert hours.days_before == before
    assert np.isnan(hours.beyond("°C")).all()
