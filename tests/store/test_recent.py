"""The latest readings of many channels, asked for at once."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.model import Flag
from service.store.blocks import DAY_MS
from service.store.engine import Store
from service.store.readings import add_readings, read_readings
from service.store.recent import recent_readings
from service.store.sealing import Sealer
from tests.builders import NOON_MS, a_probe, a_site

CLOCK, MINUTE_MS, HOUR_MS = int(Flag.DEVICE_CLOCK), 60_000, 3_600_000
CHANNELS = range(1, 7)


@pytest.fixture
def furnished(store: Store) -> Store:
    with store.write() as session:
        a_site(session)
        for name in ("a", "b", "c"):
            a_probe(session, name, ("air_temperature", "relative_humidity"))
        add_readings(
            session,
            [(c, NOON_MS + n * MINUTE_MS + c, c + n / 100, CLOCK) for c in CHANNELS for n in range(-60, 60)],
        )
    return store


minutes = st.integers(-70, 70)
spans = st.dictionaries(st.sampled_from([*CHANNELS, 99]), st.tuples(minutes, minutes), max_size=7)


@given(spans)
@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_each_channel_gets_what_it_would_get_alone(furnished: Store, asked: dict[int, tuple[int, int]]) -> None:
    within = {
        channel: (NOON_MS + min(ends) * MINUTE_MS, NOON_MS + max(ends) * MINUTE_MS) for channel, ends in asked.items()
    }
    with furnished.read() as session:
        found = recent_readings(session, within)
        for channel, (start, end) in within.items():
            alone = read_readings(session, channel, start, end)
            if channel in found:
                assert found[channel].at.tolist() == alone.at.tolist()
                assert found[channel].value.tolist() == alone.value.tolist()
                assert found[channel].flags.tolist() == alone.flags.tolist()
            else:
                assert start < max(end for _, end in within.values()) - 2 * HOUR_MS


def test_a_channel_that_lags_far_behind_is_left_to_itself(furnished: Store) -> None:
    with furnished.read() as session:
        spans = {1: (NOON_MS, NOON_MS + HOUR_MS), 2: (NOON_MS - 2 * HOUR_MS, NOON_MS)}
        assert list(recent_readings(session, spans)) == [1]


def test_sealed_days_are_left_to_those_who_unpack_them(furnished: Store) -> None:
    assert list(Sealer(furnished).run(NOON_MS + 10 * DAY_MS, lambda _: None))
    with furnished.read() as session:
        assert recent_readings(session, {1: (NOON_MS, NOON_MS + HOUR_MS)}) == {}
