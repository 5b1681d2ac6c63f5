"""Whatever the readings: an answer or "no data" with the reason, never a crash, never a verdict that is taken back."""

import math
from dataclasses import replace
from datetime import time

import numpy as np
import pytest
from climate_builders import LONG_AFTER, Enclosure, an_axis
from hypothesis import given, settings
from hypothesis import strategies as st

from service.climate.assessment import CHECKS, Channel, Clutch, Cycle, DayInput, assess_day
from service.climate.day_cycle import LightSchedule, Photoperiod
from service.climate.ranges import HOUR_MS, MINUTE_MS
from service.climate.series import series_of
from service.climate.targets import Target
from service.climate.uncertainty import Verdict

TARGETS = {
    "hot-spot": Target(30, 38),
    "hot-spot-peak": Target(high=40),
    "warm-up": Target(high=120),
    "gradient": Target(low=4),
    "cool-retreat": Target(high=28),
    "night-drop": Target(2, 8),
    "night-floor": Target(low=18),
    "night-ceiling": Target(high=26),
    "humidity-day": Target(40, 80),
    "humidity-night": Target(50, 95),
    "humidity-spikes": Target(2, 4),
    "misting-cycles": Target(),
    "dry-down": Target(high=5),
    "photoperiod": Target(12, 12),
    "incubation": Target(22, 30),
}
PLACES = [
    ("basking", "air_temperature", 33.0),
    ("basking", "surface_temperature", 36.0),
    ("cool-end", "air_temperature", 25.0),
    ("ambient", "air_temperature", 25.0),
    ("ambient", "relative_humidity", 65.0),
    ("canopy", "illuminance", 500.0),
    ("egg-chamber", "air_temperature", 27.0),
]


WALL = [time(hour, minute) for hour in range(24) for minute in (0, 30)]


def wander(random: np.random.Generator, n: int, level: float) -> np.ndarray:
    """Return values that wander, jump, stick, and are sometimes unknown or absurd."""
    values = level + np.cumsum(random.normal(0, 0.3, n)) + random.choice([0.0, 0.0, 15.0], n // 40 + 1).repeat(40)[:n]
    if n and random.random() < 0.5:
        values[random.random(n) < 0.05] = np.nan
    if n and random.random() < 0.3:
        values[random.integers(n)] = random.choice([-300.0, 1e6, 127.9, -127.0, 0.0])
    return np.round(values, 1)


def a_channel(random: np.random.Generator, place: tuple[str, str, float], start: int, end: int) -> Channel:
    zone, quantity, level = place
    every = int(random.choice([10, 60, 300, 3600]))
    at = an_axis(start - 2 * HOUR_MS, end + 30 * HOUR_MS, every)
    at = np.unique(at + random.integers(0, 900, len(at)))
    if random.random() < 0.6:
        at = at[random.random(len(at)) > random.choice([0.1, 0.5, 1.0])]
    if random.random() < 0.3 and len(at):
        at = at[at > at[random.integers(len(at))]]
    u = float(random.choice([0.0, 0.3, 2.0]))
    key = f"{zone}-{random.integers(9)}/{quantity}"
    return Channel(key, quantity, zone, series_of(at, wander(random, len(at), level), every * 1000), u, u / 3, 0.1)


@st.composite
def any_day(draw: st.DrawFn) -> DayInput:
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    on, off = draw(st.lists(st.sampled_from(WALL), min_size=2, max_size=2, unique=True))
    lights = draw(st.sampled_from([None, LightSchedule(on, off), LightSchedule(on, off)]))
    enclosure = Enclosure(lights=lights)
    places = draw(st.lists(st.sampled_from(PLACES), max_size=7))
    channels = [a_channel(random, place, enclosure.start, enclosure.end) for place in places]
    minutes = draw(st.lists(st.integers(-60, 30 * 60), max_size=4, unique=True))
    cycles = [Cycle(enclosure.start + m * MINUTE_MS, 45, "schedule") for m in minutes]
    day = enclosure.given(TARGETS, cycles, clutch=Clutch(enclosure.start - HOUR_MS, 15, 500, 600))
    return replace(day, channels=channels)


@settings(max_examples=60)
@given(any_day(), st.lists(st.integers(-60, 54 * 60), min_size=1, max_size=4))
def test_a_failure_told_while_the_day_runs_is_never_taken_back(day: DayInput, minutes: list[int]) -> None:
    # As long as the same probe answers: when one falls silent, another of its zone takes over.
    day = replace(day, channels=list({(c.zone, c.quantity[-11:]): c for c in day.channels}.values()))
    final = {result.check: result for result in assess_day(day).checks}
    for minute in minutes:
        running = assess_day(replace(day, now_ms=day.start_ms + minute * MINUTE_MS))
        for result in running.checks:
            last = final[result.check].verdict
            if result.complete:
                continue
            if result.verdict is Verdict.NOT_MET:
                assert last in {Verdict.NOT_MET, Verdict.NO_DATA}, (result, final[result.check])
            elif result.verdict is not None:
                assert result.verdict is Verdict.NO_DATA, "only a failure can be told of a span that is not over"


@settings(max_examples=60)
@given(any_day())
def test_every_check_answers_with_a_sentence_and_its_coverage(day: DayInput) -> None:
    found = assess_day(day)
    assert [result.check for result in found.checks] == list(CHECKS)
    for result in found.checks:
        assert result.complete
        assert isinstance(result.verdict, Verdict)
        assert 0 <= result.coverage <= 1
        assert result.sentence.endswith(".")
        assert "nan" not in result.sentence
        assert result.verdict is not Verdict.MET or math.isfinite(result.value)
        assert result.verdict is not Verdict.NO_DATA or "verdict" in result.sentence
    for cycle in found.misting:
        assert cycle.verdict is not None
        assert "nan" not in cycle.sentence
    for spike in found.spikes:
        assert spike.foot_ms <= spike.peak_ms <= spike.end_ms


@settings(max_examples=30)
@given(any_day(), st.integers(0, 40 * 60))
def test_what_lies_after_now_changes_nothing(day: DayInput, minute: int) -> None:
    now = day.start_ms + minute * MINUTE_MS
    known = [
        replace(
            c,
            series=series_of(c.series.at[c.series.at <= now], c.series.value[c.series.at <= now], c.series.cadence_ms),
        )
        for c in day.channels
    ]
    one, other = assess_day(replace(day, now_ms=now)), assess_day(replace(day, now_ms=now, channels=known))
    assert [(r.check, r.verdict, r.sentence) for r in one.checks] == [
        (r.check, r.verdict, r.sentence) for r in other.checks
    ]
    assert [(m.verdict, m.sentence) for m in one.misting] == [(m.verdict, m.sentence) for m in other.misting]
    assert one.spikes == other.spikes


@settings(max_examples=40)
@given(any_day(), st.floats(0, 5))
def test_growing_uncertainty_never_turns_not_met_into_met(day: DayInput, more: float) -> None:
    wider = [
        replace(c, uncertainty=c.uncertainty + more, repeat_uncertainty=c.repeat_uncertainty + more)
        for c in day.channels
    ]
    # Spikes and the choice of channel depend on U too: one channel of a kind and no spikes leave only the verdicts.
    single = {(c.zone, c.quantity): (c, w) for c, w in zip(day.channels, wider, strict=True)}
    plain = [c for c, _ in single.values() if c.quantity != "relative_humidity"]
    less_sure = [w for _, w in single.values() if w.quantity != "relative_humidity"]
    before = assess_day(replace(day, channels=plain, cycles=[]))
    after = assess_day(replace(day, channels=less_sure, cycles=[]))
    for one, other in zip(before.checks, after.checks, strict=True):
        assert other.verdict in {one.verdict, Verdict.BORDERLINE}


def test_a_probe_moved_at_noon_counts_where_it_was() -> None:
    enclosure = Enclosure()
    noon = enclosure.start + 12 * HOUR_MS
    enclosure.measures("basking", 35.0, probe="moved", kept=lambda at: at < noon)
    enclosure.measures("cool-end", 25.0, probe="moved", kept=lambda at: at >= noon)
    hot, cool = assess_day(enclosure.given({"hot-spot": Target(33, 37), "cool-retreat": Target(high=28)})).checks
    assert (hot.verdict, cool.verdict) == ("no data", "no data")
    assert hot.coverage == pytest.approx(3.5 / 11, abs=0.01)
    assert cool.coverage == pytest.approx(7.5 / 11, abs=0.01)


def test_reversed_light_is_judged_in_its_own_day() -> None:
    enclosure = Enclosure(lights=LightSchedule(on=time(20), off=time(8)))
    enclosure.measures("basking", enclosure.by_day_and_night(35, 24))
    result = enclosure.check("hot-spot", Target(33, 37))
    assert result.verdict == "met"
    assert (result.span[1] - result.span[0]) / HOUR_MS == 11


def test_a_photoperiod_of_no_length_has_no_day_to_judge() -> None:
    enclosure = Enclosure().measures("basking", 35.0)
    start = enclosure.start
    day = replace(
        enclosure.given({"hot-spot": Target(33, 37)}),
        photoperiod=Photoperiod(start, start, start + LONG_AFTER, "light"),
    )
    (result,) = assess_day(day).checks
    assert result.verdict == "no data"
    assert "no length" in result.sentence
