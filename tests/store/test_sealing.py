"""Days that are over become blocks, and nothing else changes."""

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier, Event

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.model import Flag
from service.store.assessments import DayMarks
from service.store.blocks import DAY_MS
from service.store.engine import Store
from service.store.readings import (
    StoredReadings,
    add_readings,
    count_readings,
    first_reading_ms,
    read_readings,
    recent_times,
    stream_readings,
)
from service.store.sealing import QUIET_MS, Sealer
from tests.builders import a_probe, a_site, stored

DAY = 20_000
START = DAY * DAY_MS
NOW = START + 4 * DAY_MS + QUIET_MS
CLOCK = int(Flag.DEVICE_CLOCK)


@pytest.fixture
def furnished(store: Store) -> Store:
    with store.write() as session:
        a_site(session)
        a_probe(session, "spot", ("air_temperature", "relative_humidity"))
    return store


def rows_of(
    channel: int, days: int = 5, every_ms: int = 600_000, start: int = START
) -> list[tuple[int, int, float, int]]:
    return [
        (channel, at, round(20 + np.sin(at / 5e6), 2), CLOCK)
        for at in range(start + 7, start + days * DAY_MS, every_ms)
    ]


def put(store: Store, rows: list[tuple[int, int, float, int]]) -> int:
    with store.write() as session:
        return add_readings(session, rows)


def seal(store: Store, now: int = NOW, **how: int) -> int:
    states = list(Sealer(store, **how).run(now, rest=lambda _: None))
    return states[-1].readings if states else 0


def counts(store: Store) -> tuple[int, int]:
    """Return how many rows and how many blocks there are."""
    with store.read() as session:
        connection = session.connection()
        return tuple(
            connection.exec_driver_sql(f"SELECT count(*) FROM {table}").scalar_one()  # noqa: S608 - our own names
            for table in ("reading", "reading_block")
        )


def told(readings: StoredReadings) -> list[tuple[int, float, int]]:
    return list(zip(readings.at.tolist(), readings.value.tolist(), readings.flags.tolist(), strict=True))


def test_days_that_are_over_are_sealed_and_read_as_before(furnished: Store) -> None:
    rows = rows_of(1)
    put(furnished, rows)
    before = told(stored(furnished, 1))
    assert seal(furnished) == 4 * 144
    assert counts(furnished) == (144, 4)
    assert told(stored(furnished, 1)) == before == [row[1:] for row in rows]


def test_a_day_is_left_until_it_has_been_over_for_a_while(furnished: Store) -> None:
    put(furnished, rows_of(1, days=1))
    assert seal(furnished, START + DAY_MS + QUIET_MS - 1) == 0
    assert seal(furnished, START + DAY_MS + QUIET_MS) == 144


def test_a_day_that_is_being_written_to_late_waits(furnished: Store) -> None:
    put(furnished, rows_of(1, start=START + DAY_MS, days=2))
    sealer = Sealer(furnished)
    assert [sealed.pieces for sealed in sealer.run(NOW, rest=lambda _: None)] == [2]
    put(furnished, rows_of(1, days=1))
    assert list(sealer.run(NOW, rest=lambda _: None)) == []
    assert [sealed.readings for sealed in sealer.run(NOW, rest=lambda _: None)] == [144]


def test_a_late_reading_joins_its_sealed_day_and_marks_it(furnished: Store) -> None:
    rows = rows_of(1)
    put(furnished, rows)
    seal(furnished)
    late = [(1, START + 5_000, -3.5, int(Flag.LATE)), (1, START + DAY_MS + 5_000, 4.25, CLOCK)]
    with furnished.read() as session:
        before = DayMarks(session, [1]).of(1, START, START + DAY_MS)
    assert put(furnished, late) == 2
    assert counts(furnished) == (144, 4)
    assert told(stored(furnished, 1)) == sorted([row[1:] for row in rows + late])
    with furnished.read() as session:
        assert DayMarks(session, [1]).of(1, START, START + DAY_MS) != before


def test_a_reading_of_a_sealed_day_that_comes_again_changes_nothing(furnished: Store) -> None:
    rows = rows_of(1)
    put(furnished, rows)
    seal(furnished)
    again = [(channel, at, value + 50, flags) for channel, at, value, flags in rows]
    assert put(furnished, again) == 0
    new = (1, START + 9, 1.5, CLOCK)
    assert put(furnished, [new, (1, START + 9, 2.5, CLOCK), *again]) == 1
    assert told(stored(furnished, 1)) == sorted([row[1:] for row in [*rows, new]])


def test_a_probe_that_died_and_delivers_the_rest_of_a_sealed_day_loses_nothing(furnished: Store) -> None:
    """Those readings are newer than all before them, and yet of a day that is sealed."""
    rows = rows_of(1, days=1)
    put(furnished, rows[:50])
    assert seal(furnished) == 50
    assert put(furnished, rows[40:]) == len(rows) - 50
    assert told(stored(furnished, 1)) == [row[1:] for row in rows]
    assert counts(furnished) == (0, 1)


def test_a_day_with_many_readings_is_sealed_in_pieces(furnished: Store) -> None:
    rows = rows_of(1, days=1, every_ms=20_000)
    put(furnished, rows)
    states = [
        (sealed.pieces, sealed.readings) for sealed in Sealer(furnished, rows_at_once=1_000).run(NOW, lambda _: 0)
    ]
    assert states[-1] == (5, len(rows))
    assert len(states) == 5
    assert counts(furnished) == (0, 1)
    assert told(stored(furnished, 1)) == [row[1:] for row in rows]


def test_in_the_middle_of_a_day_that_is_half_sealed_everything_is_read_once(furnished: Store) -> None:
    rows = rows_of(1, days=1, every_ms=20_000)
    put(furnished, rows)
    next(iter(Sealer(furnished, rows_at_once=1_000).run(NOW, lambda _: 0)))
    assert counts(furnished) == (len(rows) - 1_000, 1)
    assert told(stored(furnished, 1)) == [row[1:] for row in rows]
    again = [(channel, at, value + 50, flags) for channel, at, value, flags in rows]
    assert put(furnished, [*again, (1, START + 9, 1.5, CLOCK)]) == 1
    assert len(stored(furnished, 1)) == len(rows) + 1
    assert stored(furnished, 1).value.max() < 50


times = st.integers(START - 3 * DAY_MS, START + 3 * DAY_MS)
batches = st.lists(
    st.one_of(
        st.just("seal"),
        st.lists(st.tuples(st.integers(1, 2), times, st.floats(-40, 80), st.integers(0, 63)), max_size=30),
    ),
    max_size=8,
)


@given(steps=batches, span=st.tuples(times, times))
@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whenever_days_are_sealed_everything_is_answered_as_if_none_were(
    furnished: Store, steps: list[str | list[tuple[int, int, float, int]]], span: tuple[int, int]
) -> None:
    known: dict[tuple[int, int], tuple[float, int]] = {}
    with furnished.write() as session:
        for table in ("reading", "reading_block", "channel_state", "channel_day"):
            session.connection().exec_driver_sql(f"DELETE FROM {table}")  # noqa: S608 - our own names
    for step in [*steps, "seal"]:
        if step == "seal":
            seal(furnished, START + DAY_MS + QUIET_MS, rows_at_once=10)
            continue
        fresh = {row[:2]: row[2:] for row in reversed(step) if row[:2] not in known}
        assert put(furnished, step) == len(fresh)
        known |= fresh
    low, high = min(span), max(span)
    expected = sorted((at, *rest) for (channel, at), rest in known.items() if channel == 1)
    within = [row for row in expected if low <= row[0] < high]
    with furnished.read() as session:
        assert told(read_readings(session, 1, -(2**40))) == expected
        assert told(read_readings(session, 1, low, high)) == within
        assert [row for rows in stream_readings(session, 1, low, high) for row in rows] == within
        assert count_readings(session, [1, 2], low, high) == sum(low <= at < high for _, at in known)
        assert recent_times(session, 1, 7).tolist() == [row[0] for row in expected[-7:]]
        assert first_reading_ms(session, 1, low, high) == (within[0][0] if within else None)


def test_two_that_seal_the_same_days_at_once_lose_and_double_nothing(furnished: Store) -> None:
    rows = [row for channel in (1, 2) for row in rows_of(channel, days=4, every_ms=120_000)]
    put(furnished, rows)
    start = Barrier(3)

    def work() -> int:
        start.wait()
        return seal(furnished, rows_at_once=400)

    with ThreadPoolExecutor(3) as pool:
        workers = [pool.submit(work) for _ in range(3)]
        assert sum(worker.result() for worker in workers) == len(rows)
    assert counts(furnished) == (0, 8)
    for channel in (1, 2):
        assert told(stored(furnished, channel)) == [row[1:] for row in rows if row[0] == channel]


def test_readings_that_come_while_days_are_sealed_are_all_there(furnished: Store) -> None:
    rows = rows_of(1, days=4, every_ms=60_000)
    put(furnished, rows[::2])
    started = Event()

    def late() -> None:
        started.wait(10)
        for n in range(1, len(rows), 100):
            put(furnished, rows[n : n + 100 : 2] + rows[max(0, n - 50) : n])

    with ThreadPoolExecutor(1) as pool:
        writer = pool.submit(late)
        started.set()
        while not writer.done():
            seal(furnished, rows_at_once=300)
        writer.result()
    assert told(stored(furnished, 1)) == [row[1:] for row in rows]
