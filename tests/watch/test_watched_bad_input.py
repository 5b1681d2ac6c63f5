"""Whatever comes, the watch raises what is so and nothing else, and never ends on it."""

from datetime import timedelta

import numpy as np
import pytest

from service.model import Flag, LightSchedule, MistingSchedule, Placement, TargetOverride, from_ms, to_ms
from service.store.alarms import list_alarms
from service.store.engine import Store
from service.store.readings import add_readings, next_number
from service.watch.history import record_history
from tests.builders import LONG_AGO, MINUTE, NOON_MS, a_probe, a_site, an_enclosure, wall_time

NO_SOURCE = "common practice, no source"
PROFILE = {
    "target": [
        {"check": "hot-spot", "low": 33.0, "high": 36.0, "source": NO_SOURCE},
        {"check": "hot-spot-peak", "high": 40.0, "source": NO_SOURCE},
        {"check": "cool-retreat", "high": 28.0, "source": NO_SOURCE},
        {"check": "humidity-alarm", "low": 40.0, "high": 90.0, "source": NO_SOURCE},
        {"check": "night-floor", "low": 18.0, "source": NO_SOURCE},
    ]
}
ENTERED = {"entered_by": "t", "entered_at": LONG_AGO}


def furnish(store: Store, quantity: str, zone: str, every_s: float | None = 60) -> None:
    """One probe of one channel; lights 07:00 to 19:00, misting at noon."""
    with store.write() as session:
        a_site(session)
        enclosure = an_enclosure(session, body=PROFILE)
        session.add(MistingSchedule(enclosure_id=enclosure.id, cycles=[("12:00", 45)], from_at=LONG_AGO, **ENTERED))
        a_probe(session, "one", (quantity,), enclosure, zone, every_s=every_s)


def put(store: Store, minutes: np.ndarray, values: np.ndarray | float) -> None:
    pairs = zip(minutes.tolist(), np.broadcast_to(values, minutes.shape).tolist(), strict=True)
    rows = [(1, NOON_MS + round(m * MINUTE), round(v, 2), int(Flag.DEVICE_CLOCK)) for m, v in pairs]
    with store.write() as session:
        add_readings(session, rows)


def alive(minutes: np.ndarray, value: float) -> np.ndarray:
    return value + 0.1 * np.sin(minutes)


def told(store: Store, first: float, last: float) -> list[tuple[str, int]]:
    """Return condition and minute from noon of what was raised."""
    record_history(store, NOON_MS + round(first * MINUTE), NOON_MS + round(last * MINUTE))
    with store.read() as session:
        found = [(a.condition, (to_ms(a.raised_at) - NOON_MS) // MINUTE) for a in list_alarms(session, limit=500)]
    return sorted(found, key=lambda one: one[1])


def enter(store: Store, *facts: object) -> None:
    with store.write() as session:
        for fact in facts:
            session.add(fact)
        next_number(session, "facts")


def test_humidity_without_a_temperature_beside_it_is_no_evidence_of_water(store: Store) -> None:
    furnish(store, "relative_humidity", "ambient")
    minutes = np.arange(-120, 240)
    put(store, minutes, alive(minutes, 20))
    assert told(store, -120, 240) == []


def test_targets_of_zones_that_nothing_measures_raise_nothing(store: Store) -> None:
    furnish(store, "air_temperature", "substrate")
    minutes = np.arange(-120, 240)
    put(store, minutes, alive(minutes, 60))
    assert told(store, -120, 240) == []


def test_of_overlapping_overrides_the_one_that_began_last_sets_the_limit(store: Store) -> None:
    furnish(store, "air_temperature", "cool-end")
    wide = {"enclosure_id": 1, "check": "cool-retreat", "reason": "a trial"}
    began = from_ms(NOON_MS)
    enter(
        store,
        TargetOverride(high=35.0, from_at=began - timedelta(hours=3), until_at=None, **wide, **ENTERED),
        TargetOverride(high=31.0, from_at=began, until_at=began + timedelta(hours=1), **wide, **ENTERED),
    )
    minutes = np.arange(-120, 240)
    put(store, minutes, alive(minutes, 33))
    assert told(store, -120, 240) == [("retreat-hot", 15)]


@pytest.mark.parametrize(("on", "off", "called"), [(19, 7, -3 * 60 + 15), (22, 10, 15)])
def test_reversed_light_and_lights_across_midnight_have_their_own_night(
    store: Store, on: int, off: int, called: int
) -> None:
    """The night begins two hours after lights off, whatever the hour; 15 min of it are too cold before it is told."""
    furnish(store, "air_temperature", "ambient")
    with store.write() as session:
        old = session.get_one(LightSchedule, 1)
        old.on, old.off = wall_time(on), wall_time(off)
        session.add(old)
        next_number(session, "facts")
    minutes = np.arange(-4 * 60, 3 * 60)
    put(store, minutes, alive(minutes, 15))
    assert told(store, -4 * 60, 3 * 60) == [("night-cold", called)]


@pytest.mark.parametrize(("every_min", "declared"), [(1 / 60, 1.0), (60, 3600.0), (60, None)])
def test_a_reading_each_second_or_each_hour_is_judged_by_its_own_cadence(
    store: Store, every_min: float, declared: float | None
) -> None:
    furnish(store, "surface_temperature", "basking", declared)
    minutes = np.arange(-120, 180 if every_min > 1 else 20, every_min)
    put(store, minutes, np.where(minutes < 0, 35.0, 44.0) + 0.1 * np.sin(minutes))
    raised = [one for one in told(store, -120, float(minutes[-1]) + 1) if one[0] != "basking-heading-over"]
    assert raised == [("basking-overheat", 60 if every_min > 1 else 1)]


def test_a_tenth_of_the_readings_missing_neither_raises_nor_hides(store: Store) -> None:
    furnish(store, "air_temperature", "cool-end")
    minutes = np.arange(-300, 300)
    kept = np.random.default_rng(3).random(minutes.size) > 0.1
    put(store, minutes[kept], np.where(minutes < 0, 26.0, 31.0)[kept] + 0.1 * np.sin(minutes[kept]))
    ((condition, at),) = told(store, -300, 300)
    assert condition == "retreat-hot"
    assert 15 <= at <= 17


def test_a_probe_moved_at_noon_is_held_to_the_limits_of_where_it_is(store: Store) -> None:
    furnish(store, "air_temperature", "basking")
    with store.write() as session:
        old = session.get_one(Placement, 1)
        moved = {"channel_id": 1, "enclosure_id": 1} | ENTERED
        session.add(Placement(zone="basking", from_at=old.from_at, until_at=from_ms(NOON_MS), replaces_id=1, **moved))
        session.add(Placement(zone="cool-end", from_at=from_ms(NOON_MS), **moved))
        next_number(session, "facts")
    minutes = np.arange(-120, 120)
    put(store, minutes, alive(minutes, 35))
    assert told(store, -120, 120) == [("retreat-hot", 15)]
