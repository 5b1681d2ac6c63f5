"""From stored readings to recorded alarms, live, after a restart and in hindsight."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.alarms.record import acknowledge
from service.errors import NotFound, Refused
from service.model import Alarm, Enclosure, Flag, Placement, from_ms, to_ms
from service.store.alarms import list_alarms, transitions_of
from service.store.engine import Store
from service.store.readings import add_readings, next_number
from service.watch.history import record_history
from service.watch.live import Watch
from tests.builders import MINUTE, NOON_MS, a_probe, a_site, an_enclosure
from tests.empty_store import sqlite_store

SPOT = 1


class Clock:
    def __init__(self) -> None:
        self.ms = NOON_MS

    def __call__(self) -> int:
        return self.ms


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def watched(store: Store) -> Store:
    furnish(store)
    return store


def furnish(store: Store) -> None:
    with store.write() as session:
        a_site(session)
        enclosure = an_enclosure(session)
        a_probe(session, "spot", ("surface_temperature",), enclosure, "basking")


def put(store: Store, minutes: list[float], values: list[float], flags: int = Flag.DEVICE_CLOCK) -> None:
    rows = [(SPOT, NOON_MS + round(at * MINUTE), value, int(flags)) for at, value in zip(minutes, values, strict=True)]
    with store.write() as session:
        add_readings(session, rows)


def a_watch(store: Store, clock: Clock) -> Watch:
    return Watch(store, clock, lambda: None)


def alarms(store: Store) -> list[Alarm]:
    with store.read() as session:
        return list(reversed(list_alarms(session, limit=1000)))


def test_an_overheated_basking_spot_is_raised_after_its_delay_and_returns(watched: Store, clock: Clock) -> None:
    watch = a_watch(watched, clock)
    for minute, value in enumerate([36, 41, 41.5, 41.2, 36.5, 36.4]):
        put(watched, [minute], [value])
        watch.step()
    (alarm,) = alarms(watched)
    assert (alarm.condition, alarm.priority, alarm.zone) == ("basking-overheat", "high", "basking")
    assert (to_ms(alarm.began_at), to_ms(alarm.raised_at)) == (NOON_MS + MINUTE, NOON_MS + 2 * MINUTE)
    assert alarm.returned_at == from_ms(NOON_MS + 5 * MINUTE)
    assert (alarm.value, alarm.peak, alarm.limit, alarm.unit) == (41.5, 41.5, 38.0, "Cel")
    assert alarm.state == "returned, unacknowledged"


def test_an_overheating_spot_in_steady_air_is_likely_the_lamp(watched: Store, clock: Clock) -> None:
    with watched.write() as session:
        air = a_probe(session, "air", ("air_temperature",), session.get(Enclosure, 1), "ambient")[0]
        steady = [
            (air, NOON_MS + minute * MINUTE, 26.0 + minute % 2 / 10, int(Flag.DEVICE_CLOCK)) for minute in range(-60, 3)
        ]
        add_readings(session, steady)
    watch = a_watch(watched, clock)
    put(watched, [0], [36])
    watch.step()
    put(watched, [1, 2], [41, 41])
    watch.step()
    assert [alarm.cause for alarm in alarms(watched)] == [
        "Only the basking zone is hot: likely lamp too close, bulb changed, or thermostat probe moved."
    ]


def test_the_peak_of_a_standing_alarm_follows_the_readings(watched: Store, clock: Clock) -> None:
    watch = a_watch(watched, clock)
    put(watched, [0, 1], [41, 41])
    watch.step()
    put(watched, [2], [44])
    watch.step()
    watch.save()
    assert [alarm.peak for alarm in alarms(watched)] == [44]


def test_acknowledging_names_the_person_and_happens_once(watched: Store, clock: Clock) -> None:
    put(watched, [0], [41])
    watch = a_watch(watched, clock)
    watch.step()
    put(watched, [1, 2], [41, 41])
    watch.step()
    with watched.write() as session:
        acknowledge(session, 1, "Ines", "lamp raised", from_ms(NOON_MS + 3 * MINUTE))
    with watched.read() as session:
        assert [(t.before, t.after, t.by) for t in transitions_of(session, 1)] == [
            ("normal", "unacknowledged", "the watch"),
            ("unacknowledged", "acknowledged", "Ines"),
        ]
    with watched.write() as session, pytest.raises(Refused, match="alarm 1: an alarm that is acknowledged"):
        acknowledge(session, 1, "Ines", None, from_ms(NOON_MS))
    with watched.write() as session, pytest.raises(NotFound, match="no alarm 7"):
        acknowledge(session, 7, "Ines", None, from_ms(NOON_MS))


def test_a_cold_basking_spot_is_no_alarm_at_night(watched: Store, clock: Clock) -> None:
    watch = a_watch(watched, clock)
    put(watched, [0], [34])
    watch.step()
    evening = [60.0 * 8 + minute for minute in range(120)]
    put(watched, evening, [22.0] * len(evening))
    clock.ms = NOON_MS + round(evening[-1]) * MINUTE
    watch.step()
    assert [alarm.condition for alarm in alarms(watched)] == ["probe-silent"]


def test_a_cold_basking_spot_by_day_is_raised_after_half_an_hour(watched: Store, clock: Clock) -> None:
    watch = a_watch(watched, clock)
    put(watched, [0], [34])
    watch.step()
    put(watched, [float(minute) for minute in range(1, 40)], [25.0] * 39)
    watch.step()
    (alarm,) = alarms(watched)
    assert (alarm.condition, to_ms(alarm.raised_at)) == ("basking-cold", NOON_MS + 31 * MINUTE)


def test_a_silent_probe_is_raised_by_the_clock_and_returns_when_it_speaks(watched: Store, clock: Clock) -> None:
    watch = a_watch(watched, clock)
    put(watched, [0], [34])
    watch.step()
    clock.ms = NOON_MS + 10 * MINUTE
    a_watch(watched, clock).step()
    assert alarms(watched) == []
    clock.ms = NOON_MS + 11 * MINUTE
    a_watch(watched, clock).step()
    (alarm,) = alarms(watched)
    assert (alarm.condition, alarm.place, alarm.state) == ("probe-silent", "spot", "unacknowledged")
    assert to_ms(alarm.raised_at) == NOON_MS + 10 * MINUTE
    put(watched, [15], [34])
    a_watch(watched, clock).step()
    assert to_ms(alarms(watched)[0].returned_at) == NOON_MS + 15 * MINUTE


def test_approximate_and_impossible_readings_raise_nothing(watched: Store, clock: Clock) -> None:
    watch = a_watch(watched, clock)
    put(watched, [0], [34])
    watch.step()
    put(watched, [1, 2, 3], [60, 60, 60], Flag.ARRIVAL_CLOCK | Flag.APPROXIMATE)
    put(watched, [4, 5, 6], [85, 85, 85], Flag.DEVICE_CLOCK | Flag.IMPOSSIBLE)
    watch.step()
    assert alarms(watched) == []


def test_an_alarm_ends_when_its_probe_is_moved(watched: Store, clock: Clock) -> None:
    watch = a_watch(watched, clock)
    put(watched, [0], [41])
    watch.step()
    put(watched, [1, 2], [41, 41])
    watch.step()
    clock.ms = NOON_MS + 5 * MINUTE
    with watched.write() as session:
        old = session.get(Placement, 1)
        moved = {"entered_by": "a test", "entered_at": from_ms(clock.ms), "channel_id": SPOT}
        session.add(
            Placement(
                **moved, enclosure_id=1, zone="basking", from_at=old.from_at, until_at=from_ms(clock.ms), replaces_id=1
            )
        )
        session.add(Placement(**moved, enclosure_id=1, zone="cool-end", from_at=from_ms(clock.ms)))
        next_number(session, "facts")
    put(watched, [6], [24])
    watch.step()
    (alarm,) = alarms(watched)
    assert to_ms(alarm.returned_at) == NOON_MS + 6 * MINUTE
    with watched.read() as session:
        assert transitions_of(session, 1)[-1].note == "probe moved"


def test_an_enclosure_without_a_profile_raises_no_climate_alarm(store: Store, clock: Clock) -> None:
    with store.write() as session:
        a_site(session)
        bare = Enclosure(key="bare", name="Bare", room_id=1)
        session.add(bare)
        session.flush()
        a_probe(session, "spot", ("surface_temperature",), bare, "basking")
    put(store, [0], [70])
    watch = a_watch(store, clock)
    watch.step()
    put(store, [1, 2, 3], [70, 70, 70])
    watch.step()
    assert alarms(store) == []


def fingerprint(store: Store) -> list[tuple]:
    return [(a.condition, a.place, a.began_at, a.raised_at, a.returned_at, a.value, a.limit) for a in alarms(store)]


@given(
    history=st.lists(
        st.tuples(st.sampled_from([1, 1, 1, 2, 5, 9, 16, 40]), st.sampled_from([20.0, 34.0, 37.5, 38.0, 39.0, 45.0])),
        min_size=2,
        max_size=40,
    ),
    restarts=st.sets(st.integers(0, 40)),
)
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_live_restarted_and_in_hindsight_the_alarms_are_the_same(
    history: list[tuple[int, float]], restarts: set[int], tmp_path_factory: pytest.TempPathFactory
) -> None:
    live, clock = _fresh(tmp_path_factory), Clock()
    watch, minute, minutes = a_watch(live, clock), 0, []
    for step, (wait, value) in enumerate(history):
        minute += wait
        minutes.append(float(minute))
        clock.ms = NOON_MS + minute * MINUTE
        watch.step()
        put(live, [minute], [value])
        if step in restarts:
            watch = a_watch(live, clock)  # what was not saved is lost, as by kill -9
        watch.step()
    hindsight = _fresh(tmp_path_factory)
    put(hindsight, minutes, [value for _, value in history])
    record_history(hindsight, NOON_MS, clock.ms + 1)
    assert sorted(fingerprint(live)) == sorted(fingerprint(hindsight))


def _fresh(tmp_path_factory: pytest.TempPathFactory) -> Store:
    folder: Path = tmp_path_factory.mktemp("store")
    store = sqlite_store(folder / "wardian.db")
    furnish(store)
    return store
