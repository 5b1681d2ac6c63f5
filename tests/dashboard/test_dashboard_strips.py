import re
from datetime import date, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.day import Axis, Band, DayPlan, RainMark, day_axis
from dashboard.strip_svg import Strip, draw
from dashboard.strips import BUCKET_MS, DayTrace, StripCache, bucketed
from service.climate.ranges import HOUR_MS, MINUTE_MS
from service.model import Flag, to_ms
from service.store.readings import StoredReadings, add_readings
from tests.dashboard.glasshouse import NOW, Glasshouse

LISBON = ZoneInfo("Europe/Lisbon")
AXIS = day_axis(date(2026, 3, 10), LISBON)


def readings(minutes: list[float], values: list[float], flags: int = 1) -> StoredReadings:
    at = AXIS.start_ms + (np.array(minutes) * MINUTE_MS).astype(np.int64)
    return StoredReadings(at, np.array(values, dtype=float), np.full(len(at), flags, dtype=np.int16))


def a_strip(trace: DayTrace | None, **changes: object) -> str:
    plan = DayPlan(
        AXIS,
        lit=((AXIS.start_ms + 7 * HOUR_MS, AXIS.start_ms + 19 * HOUR_MS),),
        heat=(Band(AXIS.start_ms + 7 * HOUR_MS, AXIS.start_ms + 19 * HOUR_MS, 31.0, 36.0),),
    )
    usual: dict = {
        "plan": plan, "now_ms": AXIS.start_ms + 14 * HOUR_MS, "heat": trace, "water": None, "rain": (), "leads": "heat",
        "warmth": "warm", "label": "today",
    }  # fmt: skip
    return str(draw(Strip(**(usual | changes))))


ROWS = st.tuples(st.integers(0, 1439), st.floats(-20, 60))


@given(st.lists(ROWS, min_size=1, max_size=200, unique_by=lambda row: row[0]))
def test_no_spike_is_lost_in_buckets(rows: list[tuple[int, float]]) -> None:
    rows.sort()
    buckets = bucketed(readings([m for m, _ in rows], [v for _, v in rows]), AXIS.start_ms, MINUTE_MS)
    values = [value for _, value in rows]
    assert max(bucket[4] for bucket in buckets) == max(values)
    assert min(bucket[3] for bucket in buckets) == min(values)
    assert buckets[-1][5] == values[-1]
    for first_at, last_at, *_ in buckets:
        assert (first_at - AXIS.start_ms) // BUCKET_MS == (last_at - AXIS.start_ms) // BUCKET_MS


@given(st.lists(st.integers(0, 1439), min_size=2, max_size=100, unique=True))
def test_a_gap_is_never_bridged(minutes: list[int]) -> None:
    minutes.sort()
    trace = DayTrace(MINUTE_MS, bucketed(readings(minutes, [30.0] * len(minutes)), AXIS.start_ms, MINUTE_MS))
    hold = 5 * MINUTE_MS
    for run in trace.runs:
        at = [
            AXIS.start_ms + m * MINUTE_MS for m in minutes if run[0][0] <= AXIS.start_ms + m * MINUTE_MS <= run[-1][1]
        ]
        assert max(np.diff(at), default=0) <= hold
    silences = [(a, b) for a, b in pairwise(minutes) if (b - a) * MINUTE_MS > hold]
    gaps = trace.gaps(AXIS.start_ms + minutes[0] * MINUTE_MS, AXIS.start_ms + minutes[-1] * MINUTE_MS)
    assert [((s - AXIS.start_ms) // MINUTE_MS, (e - AXIS.start_ms) // MINUTE_MS) for s, e in gaps] == silences


def test_readings_that_cannot_be_judged_are_gaps() -> None:
    assert bucketed(readings([1, 2], [85.0, 85.0], int(Flag.IMPOSSIBLE)), AXIS.start_ms, MINUTE_MS) == ()


def test_a_short_spike_reaches_its_height_on_the_strip() -> None:
    minutes, values = list(range(600, 700)), [33.0] * 100
    values[50] = 39.0
    calm = DayTrace(MINUTE_MS, bucketed(readings(minutes, [33.0] * 100), AXIS.start_ms, MINUTE_MS))
    spiked = DayTrace(MINUTE_MS, bucketed(readings(minutes, values), AXIS.start_ms, MINUTE_MS))

    def top(strip: str) -> int:
        path = re.search(r'class="trace" d="M([^"]+)"', strip)
        assert path
        return min(int(y) for y in path.group(1).split()[1::2])

    assert top(a_strip(spiked)) < top(a_strip(calm)) - 150


def test_a_strip_shows_gaps_hatched_and_two_lines() -> None:
    trace = DayTrace(
        MINUTE_MS, bucketed(readings([*range(600), *range(660, 840)], [30.0] * 780), AXIS.start_ms, MINUTE_MS)
    )
    drawn = a_strip(trace)
    path = re.search(r'class="trace" d="([^"]+)"', drawn)
    assert path
    assert path.group(1).count("M") == 2
    assert drawn.count('class="gap"') == 1


def test_an_unknown_day_is_hatched_up_to_now_and_no_further() -> None:
    drawn = a_strip(None)
    (width,) = re.findall(r'class="gap" x="0.00%" width="([\d.]+)%"', drawn)
    assert float(width) == pytest.approx(100 * 14 / 24, abs=0.01)


def test_misting_stands_at_its_time_as_tall_as_the_water_it_added() -> None:
    marks = (
        RainMark(AXIS.start_ms + 6 * HOUR_MS, "confirmed", 12.5),
        RainMark(AXIS.start_ms + 12 * HOUR_MS, "none", 0.5),
        RainMark(AXIS.start_ms + 18 * HOUR_MS, "due"),
    )
    drawn = a_strip(None, rain=marks)
    assert re.search(r'class="rain rain-confirmed" x1="25.00%" x2="25.00%" y1="100%" y2="83.0%"', drawn)
    assert re.search(r'class="rain-none" x="50.00%"', drawn)
    assert re.search(r'class="rain-due" x="75.00%"', drawn)


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 3, 29), 23), (date(2026, 10, 25), 25)])
def test_the_axis_is_the_local_day_when_the_clocks_change(day: date, hours: int) -> None:
    axis = day_axis(day, LISBON)
    assert axis.end_ms - axis.start_ms == hours * HOUR_MS
    noon = next(at for hour, at in axis.hours(6) if hour == 12)
    assert axis.end_ms - noon == 12 * HOUR_MS


def traces_of(house: Glasshouse, cache: StripCache, axis: Axis, now_ms: int) -> dict[int, DayTrace]:
    with house.store.read() as session:
        facts = house.parts.facts(session)
        channels = [facts.channels[house.channels[f"{key}/surface_temperature"]] for key in ("steady", "gap")]
        return cache.traces(session, axis, facts.version, channels, now_ms)


def test_the_cache_follows_the_store_as_if_it_read_all_anew(house: Glasshouse) -> None:
    cache, now_ms = StripCache(), to_ms(NOW)
    channel = house.channels["steady/surface_temperature"]
    traces_of(house, cache, AXIS, now_ms)
    for minute in range(1, 45, 4):
        at = now_ms + minute * MINUTE_MS
        with house.store.write() as session:
            add_readings(session, [(channel, at, 30.0 + minute / 10, 1), (channel, at + 1_000, 31.0, 1)])
        assert traces_of(house, cache, AXIS, at) == traces_of(house, StripCache(), AXIS, at)


def test_what_came_after_the_clock_was_set_back_is_drawn_at_once(house: Glasshouse) -> None:
    cache, now_ms = StripCache(), to_ms(NOW)
    channel = house.channels["steady/surface_temperature"]
    traces_of(house, cache, AXIS, now_ms)
    at = now_ms - 100 * MINUTE_MS + 1
    with house.store.write() as session:
        add_readings(session, [(channel, at, 49.0, int(Flag.ARRIVAL_CLOCK | Flag.CLOCK_SET_BACK))], {channel})
    assert traces_of(house, cache, AXIS, at) == traces_of(house, StripCache(), AXIS, at)


def test_the_cache_begins_anew_at_local_midnight(house: Glasshouse) -> None:
    cache, now_ms = StripCache(), to_ms(NOW)
    assert all(trace.buckets for trace in traces_of(house, cache, AXIS, now_ms).values())
    tomorrow = day_axis(date(2026, 3, 11), LISBON)
    later = to_ms(NOW + timedelta(days=1))
    assert not any(trace.buckets for trace in traces_of(house, cache, tomorrow, later).values())


def test_a_reading_that_came_late_is_drawn_after_a_while(house: Glasshouse) -> None:
    cache, now_ms = StripCache(), to_ms(NOW)
    traces_of(house, cache, AXIS, now_ms)
    late = (house.channels["gap/surface_temperature"], now_ms - 130 * MINUTE_MS, 50.0, 1)
    with house.store.write() as session:
        add_readings(session, [late])
    after = traces_of(house, cache, AXIS, now_ms + 40 * MINUTE_MS)
    assert max(trace.extremes[1] for trace in after.values() if trace.extremes) == 50.0
