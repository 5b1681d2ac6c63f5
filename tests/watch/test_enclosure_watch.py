"""What several channels say together: misting, humidity, lights and the health of probes."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.climate.psychrometrics import relative_humidity_of, vapour_pressure
from service.model import Alarm, Calibration, Enclosure, Flag, MistingSchedule, from_ms, to_ms
from service.store.alarms import list_alarms
from service.store.engine import Store
from service.store.readings import add_readings, next_number
from service.watch.conditions import CONDITIONS
from service.watch.history import record_history
from service.watch.live import Watch
from tests.builders import LONG_AGO, MINUTE, NOON_MS, a_probe, a_site, an_enclosure
from tests.empty_store import sqlite_store

HOUR = 60 * MINUTE
TEMPERATURE, HUMIDITY = 1, 2
PROFILE = {
    "target": [
        {"check": "humidity-alarm", "low": 40.0, "high": 90.0, "source": "common practice, no source"},
        {"check": "hot-spot", "low": 33.0, "high": 36.0, "source": "common practice, no source"},
        {"check": "hot-spot-peak", "high": 38.0, "source": "common practice, no source"},
    ]
}


def furnish(store: Store) -> None:
    """Lights 07:00 to 19:00, misting at 12:00 UTC, air measured at ambient each minute."""
    with store.write() as session:
        a_site(session)
        enclosure = an_enclosure(session, body=PROFILE)
        session.add(
            MistingSchedule(
                enclosure_id=enclosure.id, cycles=[("12:00", 45)], from_at=LONG_AGO, entered_by="t", entered_at=LONG_AGO
            )
        )
        a_probe(session, "air", ("air_temperature", "relative_humidity"), enclosure, "ambient")


@pytest.fixture
def room(store: Store) -> Store:
    furnish(store)
    return store


def put(store: Store, channel: int, minutes: np.ndarray, values: np.ndarray) -> None:
    rows = [
        (channel, NOON_MS + round(float(at) * MINUTE), round(float(value), 2), int(Flag.DEVICE_CLOCK))
        for at, value in zip(minutes, np.broadcast_to(values, minutes.shape), strict=True)
    ]
    with store.write() as session:
        add_readings(session, rows)


def steady(minutes: np.ndarray) -> np.ndarray:
    """Room air: 25 °C with the last digit alive, as a working probe's is."""
    return 25 + 0.02 * np.sin(minutes)


def raised(store: Store, first: float, last: float) -> list[Alarm]:
    """Return the alarms of a span in minutes around noon, watched in hindsight."""
    record_history(store, NOON_MS + round(first * MINUTE), NOON_MS + round(last * MINUTE))
    with store.read() as session:
        return list(reversed(list_alarms(session, limit=1000)))


def conditions(alarms: list[Alarm]) -> list[str]:
    return [alarm.condition for alarm in alarms]


def test_a_cycle_that_adds_no_water_is_missed_25_minutes_after_its_start(room: Store) -> None:
    minutes = np.arange(-60, 60)
    put(room, TEMPERATURE, minutes, steady(minutes))
    put(room, HUMIDITY, minutes, 60 + 0.3 * np.sin(minutes))
    (alarm,) = raised(room, -60, 60)
    assert (alarm.condition, alarm.priority, alarm.zone) == ("misting-missed", "medium", "ambient")
    assert to_ms(alarm.raised_at) == NOON_MS + 25 * MINUTE
    assert to_ms(alarm.began_at) == NOON_MS
    assert "did not reach the air" in (alarm.cause or "")


def test_a_cycle_that_adds_water_is_not_missed(room: Store) -> None:
    minutes = np.arange(-60, 60)
    put(room, TEMPERATURE, minutes, steady(minutes))
    put(room, HUMIDITY, minutes, 60 + np.where(minutes > 0, 25 * np.exp(-np.maximum(minutes, 0) / 60), 0))
    assert raised(room, -60, 60) == []


def test_humidity_that_climbs_by_cooling_alone_is_a_missed_cycle(room: Store) -> None:
    minutes = np.arange(-60, 60)
    temperature = 28 - 5 * (1 - np.exp(-np.maximum(minutes, 0) / 15))
    put(room, TEMPERATURE, minutes, temperature)
    put(room, HUMIDITY, minutes, relative_humidity_of(temperature, vapour_pressure(28.0, 60.0)))
    assert conditions(raised(room, -60, 60)) == ["misting-missed"]


def test_a_missed_cycle_returns_when_the_next_one_works(room: Store) -> None:
    minutes = np.arange(-60, 25 * 60)
    put(room, TEMPERATURE, minutes, steady(minutes))
    tomorrow = minutes - 24 * 60
    put(
        room,
        HUMIDITY,
        minutes,
        60 + np.where(tomorrow > 0, 25 * np.exp(-np.maximum(tomorrow, 0) / 60), np.sin(minutes) / 3),
    )
    (alarm,) = raised(room, -60, 25 * 60)
    assert to_ms(alarm.returned_at) == NOON_MS + 24 * HOUR + 25 * MINUTE


def test_a_clogging_nozzle_is_called_weakening(room: Store) -> None:
    for day in range(14):
        minutes = np.arange(-60, 60) + day * 1440
        since = minutes - day * 1440
        water = 30.0 if day < 8 else 14.0
        put(room, TEMPERATURE, minutes, steady(minutes))
        put(
            room,
            HUMIDITY,
            minutes,
            55 + np.where(since > 0, water * np.exp(-np.maximum(since, 0) / 60), np.sin(minutes) / 3),
        )
    found = [alarm for alarm in raised(room, -60, 14 * 1440) if alarm.condition == "misting-weakening"]
    assert [(alarm.priority, from_ms(to_ms(alarm.raised_at)).day) for alarm in found] == [("low", 12)]
    assert "look at the nozzle" in (found[0].cause or "")


def test_dry_air_is_called_after_an_hour_and_not_before(room: Store) -> None:
    minutes = np.arange(60, 240)
    put(room, TEMPERATURE, minutes, steady(minutes))
    put(room, HUMIDITY, minutes, np.where(minutes < 100, 55, 35 + np.sin(minutes)))
    (alarm,) = raised(room, 60, 240)
    assert alarm.condition == "too-dry"
    assert to_ms(alarm.began_at) == NOON_MS + 100 * MINUTE
    assert to_ms(alarm.raised_at) == NOON_MS + 160 * MINUTE


def test_wet_air_is_called_after_three_hours_but_a_spike_is_no_wet_air(room: Store) -> None:
    minutes = np.arange(-60, 420)
    put(room, TEMPERATURE, minutes, steady(minutes))
    spike = 85 + np.where(minutes > 0, 14 * np.exp(-np.maximum(minutes, 0) / 90), 0)
    put(room, HUMIDITY, minutes, spike)
    assert "too-wet" not in conditions(raised(room, -60, 420))


def test_air_that_stays_wet_is_too_wet(room: Store) -> None:
    minutes = np.arange(60, 420)
    put(room, TEMPERATURE, minutes, 25 + np.sin(minutes))
    put(room, HUMIDITY, minutes, 95 + np.sin(minutes / 7))
    found = raised(room, 60, 420)
    assert conditions(found) == ["too-wet"]
    assert NOON_MS + 240 * MINUTE <= to_ms(found[0].raised_at) <= NOON_MS + 250 * MINUTE


def test_lights_that_stay_dark_or_burn_on_are_called_after_20_minutes(room: Store) -> None:
    with room.write() as session:
        light = a_probe(session, "lux", ("illuminance",), session.get(Enclosure, 1), "ambient")[0]
    minutes = np.arange(-12 * 60, 12 * 60)
    # On from 08:00 instead of 07:00, off at 20:00 instead of 19:00.
    put(room, light, minutes, np.where((minutes >= -240) & (minutes < 480), 4000.0, 0.0))
    found = raised(room, -12 * 60, 12 * 60)
    times = {alarm.condition: (to_ms(alarm.raised_at), to_ms(alarm.returned_at)) for alarm in found}
    assert times == {
        "lights-late": (NOON_MS - 280 * MINUTE, NOON_MS - 240 * MINUTE),
        "lights-stuck-on": (NOON_MS + 440 * MINUTE, NOON_MS + 480 * MINUTE),
    }


def test_a_probe_that_stands_still_while_its_neighbour_moves_is_stuck(room: Store) -> None:
    minutes = np.arange(60, 60 + 5 * 60)
    put(room, TEMPERATURE, minutes, 25 + np.sin(minutes / 30))
    put(room, HUMIDITY, minutes, np.full(minutes.shape, 61.0))
    assert conditions(raised(room, 60, 360)) == ["probe-stuck"]


def test_a_humidity_element_in_water_is_saturated_not_stuck(room: Store) -> None:
    minutes = np.arange(60, 60 + 8 * 60)
    put(room, TEMPERATURE, minutes, 24 + 2 * np.sin(minutes / 60))
    put(room, HUMIDITY, minutes, np.full(minutes.shape, 100.0))
    assert set(conditions(raised(room, 60, 540))) == {"probe-saturated", "too-wet"}


def test_a_reference_check_of_more_than_a_year_ago_is_due(room: Store) -> None:
    with room.write() as session:
        entered = {"entered_by": "t", "entered_at": LONG_AGO}
        session.add(
            Calibration(
                channel_id=1,
                reference=25,
                reads=25,
                uncertainty=0.2,
                from_at=from_ms(NOON_MS - 400 * 24 * HOUR),
                **entered,
            )
        )
    minutes = np.arange(60, 180)
    put(room, TEMPERATURE, minutes, 25 + np.sin(minutes))
    assert conditions(raised(room, 60, 180)) == ["calibration-due"]


def test_a_low_battery_is_called(room: Store) -> None:
    with room.write() as session:
        battery = a_probe(session, "tag", ("battery",), session.get(Enclosure, 1), "ambient")[0]
    put(room, battery, np.arange(0, 120), np.full(120, 9.0))
    assert conditions(raised(room, 0, 120)) == ["battery-low"]


class Clock:
    def __init__(self, ms: int) -> None:
        self.ms = ms

    def __call__(self) -> int:
        return self.ms


def fingerprint(store: Store) -> list[tuple]:
    with store.read() as session:
        return sorted(
            (a.condition, a.place, a.raised_at, a.returned_at, a.began_at) for a in list_alarms(session, limit=1000)
        )


@given(
    levels=st.lists(st.sampled_from([30.0, 39.0, 45.0, 60.0, 93.0, 99.8]), min_size=30, max_size=30),
    gaps=st.sets(st.integers(1, 28), max_size=4),
    restarts=st.sets(st.integers(0, 29), max_size=8),
)
@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_live_restarted_and_in_hindsight_an_enclosures_alarms_are_the_same(
    levels: list[float], gaps: set[int], restarts: set[int], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Thirty blocks of twenty minutes of random humidity around a misting cycle, some missing."""
    live, clock = _fresh(tmp_path_factory), Clock(NOON_MS - 5 * HOUR)
    watch = Watch(live, clock, lambda: None)
    watch.step()
    blocks = [np.arange(20) + 20 * n - 300 for n in range(30)]
    for n, (minutes, level) in enumerate(zip(blocks, levels, strict=True)):
        if n not in gaps:
            put(live, TEMPERATURE, minutes, 25 + np.sin(minutes / 50))
            put(live, HUMIDITY, minutes, np.full(minutes.shape, level))
        clock.ms = NOON_MS + int(minutes[-1]) * MINUTE
        if n in restarts:
            watch = Watch(live, clock, lambda: None)
        watch.step()
    clock.ms += 3 * MINUTE
    watch.step()
    hindsight = _fresh(tmp_path_factory)
    for n, (minutes, level) in enumerate(zip(blocks, levels, strict=True)):
        if n not in gaps:
            put(hindsight, TEMPERATURE, minutes, 25 + np.sin(minutes / 50))
            put(hindsight, HUMIDITY, minutes, np.full(minutes.shape, level))
    record_history(hindsight, NOON_MS - 5 * HOUR - 2 * MINUTE, clock.ms - 2 * MINUTE)
    assert fingerprint(live) == fingerprint(hindsight)


def _fresh(tmp_path_factory: pytest.TempPathFactory) -> Store:
    folder: Path = tmp_path_factory.mktemp("store")
    store = sqlite_store(folder / "wardian.db")
    furnish(store)
    return store


def test_every_condition_that_can_be_raised_can_be_told_and_ended() -> None:
    for key, condition in CONDITIONS.items():
        assert condition.key == key
        assert condition.title
        assert condition.next_step.endswith(".")
    assert {"misting-missed", "too-wet", "lights-late", "probe-stuck", "basking-heading-over"} <= CONDITIONS.keys()


def test_an_enclosure_that_is_taken_away_ends_its_alarms(room: Store) -> None:
    minutes = np.arange(-60, 60)
    put(room, TEMPERATURE, minutes, steady(minutes))
    put(room, HUMIDITY, minutes, 60 + 0.3 * np.sin(minutes))
    raised(room, -60, 60)
    clock = Clock(NOON_MS + 63 * MINUTE)
    watch = Watch(room, clock, lambda: None)
    watch.step()
    with room.write() as session:
        enclosure = session.get(Enclosure, 1)
        enclosure.retired_at = from_ms(clock.ms)
        next_number(session, "facts")
    clock.ms += MINUTE
    watch.step()
    with room.read() as session:
        (missed,) = [alarm for alarm in list_alarms(session) if alarm.condition == "misting-missed"]
    assert missed.returned_at == from_ms(clock.ms)


def two_airs(room: Store, zone: str, apart: float, nights: int, since: int) -> list[str]:
    """Two thermometers at ambient and another zone that part by so much since a night."""
    with room.write() as session:
        other = a_probe(session, "other", ("air_temperature",), session.get(Enclosure, 1), zone)[0]
    for night in range(nights):
        minutes = np.arange(-7 * 60, -4 * 60) + night * 1440  # 05:00 to 08:00, lights on at 07:00
        put(room, TEMPERATURE, minutes, 20 + 0.02 * np.sin(minutes))
        put(room, other, minutes, 20.9 + (apart if night >= since else 0) + 0.02 * np.sin(minutes))
    return conditions([a for a in raised(room, -8 * 60, nights * 1440) if a.condition == "probe-disagrees"])


def test_two_probes_in_one_zone_that_part_for_three_nights_disagree(room: Store) -> None:
    assert two_airs(room, "ambient", apart=0.0, nights=4, since=0) == ["probe-disagrees"]


def test_a_steady_gradient_between_two_zones_is_no_disagreement(room: Store) -> None:
    assert two_airs(room, "cool-end", apart=0.0, nights=14, since=0) == []


def test_a_gradient_that_changes_for_good_is_a_disagreement(room: Store) -> None:
    assert two_airs(room, "cool-end", apart=1.2, nights=14, since=9) == ["probe-disagrees"]
