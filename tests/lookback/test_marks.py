"""The store's marks tell every change of a day's readings without reading them."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.store.assessments import DayMarks
from service.store.engine import Store
from service.store.readings import add_readings, newest_readings, read_readings
from tests.builders import a_probe, a_site

DAY = 86_400_000
Batch = list[tuple[int, int]]


@pytest.fixture
def furnished(store: Store) -> Store:
    with store.write() as session:
        a_site(session)
        a_probe(session, "spot", ("air_temperature", "relative_humidity"))
    return store


def put(store: Store, batch: Batch) -> None:
    with store.write() as session:
        add_readings(session, [(channel, at, 20.0, 1) for channel, at in batch])


def told(store: Store) -> dict[tuple[int, int], tuple[object, list[int]]]:
    """Return the mark and the reading times of each of two channels' first four days."""
    with store.read() as session:
        marks = DayMarks(session, (1, 2))
        return {
            (channel, day): (
                marks.of(channel, day * DAY, (day + 1) * DAY),
                read_readings(session, channel, day * DAY, (day + 1) * DAY).at.tolist(),
            )
            for channel in (1, 2)
            for day in range(4)
        }


batches = st.lists(st.lists(st.tuples(st.integers(1, 2), st.integers(0, 15).map(lambda n: n * DAY // 4)), max_size=6))


@given(batches)
@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_mark_that_stands_means_readings_that_stand(furnished: Store, written: list[Batch]) -> None:
    with furnished.write() as session:
        for table in ("reading", "channel_state", "channel_day"):
            session.connection().exec_driver_sql(f"DELETE FROM {table}")  # noqa: S608 - our own tables
    seen: dict[tuple[int, int], dict[str, list[int]]] = {}
    for batch in [[], *written]:
        put(furnished, batch)
        for place, (mark, times) in told(furnished).items():
            assert seen.setdefault(place, {}).setdefault(repr(mark), times) == times
    with furnished.read() as session:
        newest = {state.channel_id: state.at_ms for state in newest_readings(session)}
    everything = [pair for batch in written for pair in batch]
    assert newest == {channel: max(at for c, at in everything if c == channel) for channel, _ in everything}


def test_a_day_that_is_over_keeps_its_mark_while_newer_readings_come(furnished: Store) -> None:
    put(furnished, [(1, n * DAY // 4) for n in range(6)])
    before = told(furnished)[(1, 0)]
    put(furnished, [(1, n * DAY // 4) for n in range(6, 12)])
    assert told(furnished)[(1, 0)] == before
    put(furnished, [(1, DAY // 4 + 1)])
    assert told(furnished)[(1, 0)][0] != before[0]


def test_readings_that_are_sent_again_mark_nothing(furnished: Store) -> None:
    put(furnished, [(1, n * DAY // 4) for n in range(12)])
    before = told(furnished)
    put(furnished, [(1, 0), (1, 5 * DAY // 4)])
    assert told(furnished) == before
