from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.model import Channel, Enclosure, Flag, Placement, Probe, Room, to_ms
from service.store.engine import Store
from service.store.facts import CalibrationFact, ChannelFact, PlacementFact, RoomFacts, load_facts
from service.store.history import ChannelSeries, chart_series, corrected, corrected_value, placements_in
from service.store.readings import END_OF_TIME, StoredReadings, add_readings
from tests.empty_store import sqlite_store

START = 1_760_000_000_000
MINUTE = 60_000
HOUR = 60 * MINUTE
CHANNEL = 1


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """Two enclosures and a channel each test fills anew."""
    folder: Path = tmp_path_factory.mktemp("history")
    opened = sqlite_store(folder / "wardian.db")
    with opened.write() as session:
        session.add(Room(key="front", name="Front"))
        session.flush()
        for key in ("left", "right"):
            session.add(Enclosure(key=key, name=key, room_id=1))
        session.add(Probe(key="p", model="sht31", topic="t", format="json", every_s=60.0))
        session.flush()
        session.add(Channel(key="p/air_temperature", probe_id=1, quantity="air_temperature"))
    yield opened
    opened.close()


Row = tuple[int, float] | tuple[int, float, int]


def placed(enclosure_id: int, start: int = 0, end: int = END_OF_TIME, zone: str = "basking") -> PlacementFact:
    return PlacementFact(start, end, 1, CHANNEL, enclosure_id, zone)


def drawn(
    store: Store,
    rows: list[Row],
    points: int = 100,
    placements: list[PlacementFact] | None = None,
    span: tuple[int, int] = (START, START + 24 * HOUR),
) -> list[ChannelSeries]:
    """Store readings, draw them, and leave nothing behind."""
    with store.write() as session:
        add_readings(session, [(CHANNEL, row[0], row[1], row[2] if len(row) > 2 else 1) for row in rows])
        series = chart_series(session, load_facts(session), placements or [placed(1)], *span, points)
        session.rollback()
    return series


def every(cadence: int, count: int, value: float = 20.0, start: int = START) -> list[Row]:
    return [(start + n * cadence, value) for n in range(count)]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    values=st.lists(st.floats(-40, 80), min_size=1, max_size=400),
    gaps=st.lists(st.integers(0, 399), max_size=4),
    points=st.integers(10, 120),
)
def test_no_spike_is_ever_lost_and_no_gap_ever_bridged(
    values: list[float], gaps: list[int], points: int, store: Store
) -> None:
    at, rows = START, []
    for index, value in enumerate(values):
        at += MINUTE + (HOUR if index in gaps else 0)
        rows.append((at, value))
    (series,) = drawn(store, rows, points, span=(START, START + 24 * HOUR + 400 * MINUTE))
    known = ~np.isnan(series.value)
    assert series.value[known].min() == min(values)
    assert series.value[known].max() == max(values)
    assert np.all(np.diff(series.at) > 0)
    # What is drawn was read: every point is a reading.
    assert set(zip(series.at[known].tolist(), series.value[known].tolist(), strict=True)) <= set(rows)
    # Between neighbours that a gap parts, a break is drawn; both ends of it are kept.
    times = [row[0] for row in rows]
    for before, after in pairwise(times):
        if after - before > 5 * MINUTE:
            index = int(np.searchsorted(series.at, before))
            assert series.at[index] == before
            assert np.isnan(series.value[index + 1])
            assert series.at[index + 1] == before + 5 * MINUTE
            assert series.at[index + 2] == after
    assert int(known.sum()) <= points + 2 * len(gaps)
    assert series.readings == len(rows)


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(values=st.lists(st.floats(-40, 80, width=16), min_size=200, max_size=400), points=st.integers(10, 100))
def test_each_pixel_column_keeps_its_first_last_least_and_greatest(
    values: list[float], points: int, store: Store
) -> None:
    rows: list[Row] = [(START + n * MINUTE, value) for n, value in enumerate(values)]
    (series,) = drawn(store, rows, points)
    columns = points // 4
    # Columns of equal width in time over the readings, computed here another way than by the downsampler.
    width = (len(values) - 1) * MINUTE / columns
    for column in range(1, columns - 1):
        low, high = START + column * width, START + (column + 1) * width
        # A reading on the very edge may count to either side.
        inside = [(at, value) for at, value in rows if low + 1 < at < high - 1]
        shown = series.value[(series.at >= low - 1) & (series.at <= high + 1)]
        if inside:
            assert shown.min() <= min(value for _, value in inside)
            assert shown.max() >= max(value for _, value in inside)


def test_few_readings_are_drawn_as_they_are(store: Store) -> None:
    rows = every(MINUTE, 100)
    (series,) = drawn(store, rows, points=100)
    assert series.at.tolist() == [row[0] for row in rows]
    assert series.flags.tolist() == [1] * 100


def test_a_spacing_of_exactly_the_hold_is_no_gap_and_one_beyond_is(store: Store) -> None:
    (series,) = drawn(store, [(START, 20.0), (START + 5 * MINUTE, 21.0), (START + 10 * MINUTE + 1, 22.0)])
    assert np.isnan(series.value).tolist() == [False, False, True, False]
    assert series.gaps[0].tolist() == [START + 10 * MINUTE, START + 10 * MINUTE + 1]


def test_gaps_are_told_at_both_ends_and_in_a_span_without_readings(store: Store) -> None:
    (series,) = drawn(store, every(MINUTE, 60, start=START + HOUR))
    assert series.gaps.tolist() == [
        [START, START + HOUR],
        [START + HOUR + 59 * MINUTE + 5 * MINUTE, START + 24 * HOUR],
    ]
    (empty,) = drawn(store, [])
    assert empty.gaps.tolist() == [[START, START + 24 * HOUR]]
    assert empty.at.size == 0
    assert empty.readings == 0


def test_an_impossible_value_hides_no_true_spike_and_is_shown_with_its_flag(store: Store) -> None:
    rows = every(MINUTE, 1000)
    rows[500] = (rows[500][0], 41.0)
    rows[501] = (rows[501][0], 85.0, 1 | int(Flag.IMPOSSIBLE))
    (series,) = drawn(store, rows, points=12)
    shown = dict(zip(series.value.tolist(), series.flags.tolist(), strict=True))
    assert shown[41.0] == 1
    assert shown[85.0] == 1 | int(Flag.IMPOSSIBLE)


def test_a_moved_probe_counts_for_each_place_only_while_it_was_there(store: Store) -> None:
    rows: list[Row] = [(START + n * MINUTE, float(n)) for n in range(180)]
    away, back = START + 60 * MINUTE, START + 120 * MINUTE
    left = [placed(1, 0, away), placed(1, back)]
    (series,) = drawn(store, rows, points=50, placements=left)
    known = ~np.isnan(series.value)
    assert np.all((series.at[known] < away) | (series.at[known] >= back))
    assert {0.0, 59.0, 120.0, 179.0} <= set(series.value[known].tolist())
    # The line breaks where it left, and the time away is no gap of its readings: it read elsewhere.
    assert series.at[~known].tolist() == [away]
    assert not any(start < back and end > away for start, end in series.gaps.tolist())
    (right,) = drawn(store, rows, points=50, placements=[placed(2, away, back)])
    assert (right.value.min(), right.value.max(), right.readings) == (60.0, 119.0, 60)


def test_a_short_visit_elsewhere_breaks_the_line_though_it_is_shorter_than_a_gap(store: Store) -> None:
    rows: list[Row] = [(START + n * MINUTE, 20.0) for n in range(10)]
    left = [placed(1, 0, START + 4 * MINUTE), placed(1, START + 6 * MINUTE)]
    (series,) = drawn(store, rows, placements=left)
    assert np.isnan(series.value).tolist() == [False] * 4 + [True] + [False] * 4
    assert series.at[4] == START + 4 * MINUTE


def test_two_placements_that_follow_each_other_in_one_zone_are_one_line(store: Store) -> None:
    rows: list[Row] = [(START + n * MINUTE, 20.0) for n in range(10)]
    middle = START + 5 * MINUTE
    (series,) = drawn(store, rows, placements=[placed(1, 0, middle), placed(1, middle)])
    assert not np.isnan(series.value).any()


def test_placements_are_chosen_by_zone_quantity_and_span(store: Store) -> None:
    with store.write() as session:
        first = datetime(2025, 1, 1, tzinfo=UTC)
        for zone, start, end in (("basking", 0, 10), ("canopy", 10, None)):
            fact = {
                "from_at": first + timedelta(days=start),
                "until_at": None if end is None else first + timedelta(days=end),
                "entered_by": "test",
                "entered_at": first,
            }
            session.add(Placement(**fact, channel_id=CHANNEL, enclosure_id=1, zone=zone))
        session.flush()
        facts: RoomFacts = load_facts(session)
        session.rollback()
    day = 24 * HOUR
    begin, enclosure = to_ms(first), facts.enclosures[1]

    def zones(start: int, end: int, **wanted: str) -> list[str]:
        found = placements_in(facts, enclosure, begin + start * day, begin + end * day, **wanted)
        return [placement.zone for placement in found]

    assert zones(0, 20) == ["basking", "canopy"]
    assert zones(10, 20) == ["canopy"]
    assert zones(0, 20, zone="basking") == ["basking"]
    assert zones(0, 20, quantity="relative_humidity") == []


@pytest.mark.parametrize(("span", "points"), [((START, START), 100), ((START, START + 1), 9)])
def test_an_empty_span_and_too_few_points_are_refused(span: tuple[int, int], points: int, store: Store) -> None:
    with store.read() as session, pytest.raises(ValueError, match="expected"):
        chart_series(session, load_facts(session), [placed(1)], *span, points)


def channel(quantity: str, *checks: tuple[int, float, float], until: int = END_OF_TIME) -> ChannelFact:
    facts = tuple(CalibrationFact(at, until, 1, reference, reads, 0.3) for at, reference, reads in checks)
    return ChannelFact(1, "p/q", "p", "sht31", quantity, None, None, 60_000, (), facts)


def readings(*rows: tuple[int, float]) -> StoredReadings:
    at, value = np.array([row[0] for row in rows]), np.array([row[1] for row in rows], dtype=np.float64)
    return StoredReadings(at, value, np.ones(len(rows), dtype=np.int16))


def test_each_calibration_counts_from_its_check_to_the_next() -> None:
    twice = channel("air_temperature", (100, 25.0, 24.5), (200, 25.0, 26.0))
    rows = readings((99, 20.0), (100, 20.0), (199, 20.0), (200, 20.0), (10_000, 20.0))
    assert corrected(twice, rows).value.tolist() == [20.0, 20.5, 20.5, 19.0, 19.0]
    assert rows.value.tolist() == [20.0] * 5


def test_a_calibration_that_ended_counts_no_more() -> None:
    ended = channel("air_temperature", (100, 25.0, 24.5), until=200)
    assert corrected(ended, readings((150, 20.0), (200, 20.0))).value.tolist() == [20.5, 20.0]


def test_saturated_air_is_not_lifted_beyond_saturation_and_an_impossible_value_stays_impossible() -> None:
    wet = channel("relative_humidity", (100, 75.3, 73.3))
    assert corrected(wet, readings((150, 99.5), (160, 50.0), (170, 104.0))).value.tolist() == [100.0, 52.0, 106.0]


@given(
    checks=st.lists(st.tuples(st.integers(0, 1000), st.floats(0, 100), st.floats(0, 100)), max_size=5),
    rows=st.lists(st.tuples(st.integers(0, 1200), st.floats(-20, 120)), min_size=1, max_size=30),
    quantity=st.sampled_from(["relative_humidity", "air_temperature"]),
)
def test_one_reading_is_corrected_as_many_are(
    checks: list[tuple[int, float, float]], rows: list[tuple[int, float]], quantity: str
) -> None:
    fact = channel(quantity, *sorted(checks))
    many = corrected(fact, readings(*sorted(rows)))
    single = [corrected_value(fact, at, value) for at, value in sorted(rows)]
    assert many.value.tolist() == single
