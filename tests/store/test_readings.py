"""Readings in and out of the store."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.model import Flag
from service.store.engine import Store
from service.store.readings import add_readings, newest_readings, read_readings, recent_times, stream_readings
from tests.builders import NOON_MS, a_probe, a_site

CLOCK = int(Flag.DEVICE_CLOCK)


@pytest.fixture
def furnished(store: Store) -> Store:
    with store.write() as session:
        a_site(session)
        a_probe(session, "spot", ("air_temperature", "relative_humidity"))
    return store


def test_a_reading_that_is_stored_is_never_rewritten(furnished: Store) -> None:
    with furnished.write() as session:
        assert add_readings(session, [(1, NOON_MS, 20.0, CLOCK)]) == 1
        assert add_readings(session, [(1, NOON_MS, 99.0, CLOCK), (1, NOON_MS + 1, 21.0, CLOCK)]) == 1
    with furnished.read() as session:
        assert read_readings(session, 1, 0).value.tolist() == [20.0, 21.0]


def test_the_newest_is_the_newest_by_its_time_not_by_its_arrival(furnished: Store) -> None:
    with furnished.write() as session:
        add_readings(session, [(1, NOON_MS, 20.0, CLOCK)])
    with furnished.write() as session:
        add_readings(session, [(1, NOON_MS - 5, 30.0, CLOCK), (2, NOON_MS, 50.0, CLOCK)])
    with furnished.read() as session:
        newest = {state.channel_id: (state.at_ms, state.value) for state in newest_readings(session)}
        assert newest == {1: (NOON_MS, 20.0), 2: (NOON_MS, 50.0)}
        assert [state.channel_id for state in newest_readings(session, after_write=1)] == [2]


def test_a_span_holds_its_start_and_not_its_end(furnished: Store) -> None:
    with furnished.write() as session:
        add_readings(session, [(1, NOON_MS + n, float(n), CLOCK) for n in range(5)])
    with furnished.read() as session:
        assert read_readings(session, 1, NOON_MS + 1, NOON_MS + 3).value.tolist() == [1.0, 2.0]
        assert recent_times(session, 1, limit=2).tolist() == [NOON_MS + 3, NOON_MS + 4]


finite = st.floats(allow_nan=False, allow_infinity=False)


@given(st.dictionaries(st.integers(0, 2**43), finite, max_size=50))
@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_finite_value_comes_back_bit_for_bit_in_order_of_time(furnished: Store, values: dict[int, float]) -> None:
    with furnished.write() as session:
        session.connection().exec_driver_sql("DELETE FROM reading")
        add_readings(session, [(1, at, value, CLOCK) for at, value in values.items()] or [(2, 0, 0.0, CLOCK)])
    with furnished.read() as session:
        found = read_readings(session, 1, 0)
        streamed = [row for rows in stream_readings(session, 1, 0, 2**62) for row in rows]
    expected = sorted(values.items())
    assert list(zip(found.at.tolist(), found.value.tolist(), strict=True)) == expected
    assert [(at, value) for at, value, _ in streamed] == expected
