"""Days are assessed once, and again exactly when what they rest on has changed."""

from datetime import datetime

import numpy as np
import pytest
from past_room import (
    AMBIENT,
    BASKING,
    CLOCK,
    ENTERED,
    HUMIDITY,
    PROFILE,
    Values,
    assessed,
    check_of,
    climate,
    day_of,
    enter,
    furnish,
    instant,
    live,
    looked_back,
    moved,
    ms,
    override,
    put,
    result_of,
    rows_of,
    verdicts,
)

from service.lookback.report import to_bytes
from service.model import LightSchedule, MistingSchedule, ProfileVersion
from service.store.engine import Store
from tests.builders import a_probe, an_enclosure

DAYS = 12


@pytest.fixture
def past(store: Store) -> Store:
    """Twelve good days, assessed and kept; a day more of readings, so that the last night has its end."""
    furnish(store)
    live(store, DAYS + 1)
    assert assessed(store, DAYS).recomputed == DAYS
    return store


def test_a_good_day_meets_every_target(past: Store) -> None:
    for day in range(1, DAYS):
        found = day_of(assessed(past, DAYS), day)
        assert verdicts(found) == dict.fromkeys((target["check"] for target in PROFILE["target"]), "met"), found
        assert found["verdict"] == "met"
        assert found["spikes"] == {
            "confirmed": 1, "weak": 0, "none": 0, "saturated": 0, "no_data": 0, "unscheduled": 0,
        }  # fmt: skip


def test_what_is_kept_is_told_again_without_assessing_anything(past: Store) -> None:
    first = looked_back(past, "2026-03-02", "2026-03-13")
    again = assessed(past, DAYS)
    assert again.recomputed == 0
    assert to_bytes(looked_back(past, "2026-03-02", "2026-03-13")) == to_bytes(first)


def test_a_day_that_is_not_over_is_not_kept(store: Store) -> None:
    furnish(store)
    live(store, 2)
    now = instant(1, 15)
    assert assessed(store, 2, now=now).recomputed == 2
    # The first day's night ended at 07:00, and three hours more have passed; today is assessed whenever one asks.
    assert assessed(store, 2, now=now).recomputed == 1
    today = day_of(assessed(store, 2, now=now), 1)
    assert (today["verdict"], today["complete"]) == (None, False)


def test_a_day_is_the_same_whenever_it_is_asked_for(store: Store) -> None:
    furnish(store)
    live(store, 5)
    soon = assessed(store, 2, now=instant(2, 11)).days
    with store.write() as session:
        session.connection().exec_driver_sql("DELETE FROM assessment_day")
    assert assessed(store, 2, now=instant(300)).days == soon


@pytest.mark.parametrize(
    ("day", "hour", "touched"),
    [
        pytest.param(5, 15.0, {5}, id="by day"),
        pytest.param(5, 2.0, {4, 5}, id="in the night, which belongs to the day before"),
        pytest.param(5, 22.5, {5, 6}, id="shortly before midnight, which the next day looks back to"),
    ],
)
def test_a_late_reading_touches_the_days_that_hold_it(past: Store, day: int, hour: float, touched: set[int]) -> None:
    before = assessed(past, DAYS)
    put(past, [(AMBIENT, ms(day, hour) + 1, 24.4, CLOCK)])
    after = assessed(past, DAYS)
    assert after.recomputed == len(touched)
    changed = {n for n in range(DAYS) if after.days[n].inputs != before.days[n].inputs}
    assert changed == touched
    assert assessed(past, DAYS).recomputed == 0


def test_a_humidity_element_that_stood_wet_for_days_is_less_certain_until_it_has_dried(store: Store) -> None:
    furnish(store)

    def soaked(at: np.ndarray, values: Values) -> Values:
        wet = (at >= ms(2)) & (at < ms(5))
        return values | {HUMIDITY: np.where(wet, 92.0, values[HUMIDITY])}

    live(store, 9, changed=soaked)
    found = assessed(store, 8)
    known = [result_of(day_of(found, n), "humidity-day")["uncertainty"] for n in range(8)]
    # Wet from midnight of day 2: soaked 60 h later, at noon of day 4; dried 12 h after midnight of day 5.
    assert known == pytest.approx([2.31] * 4 + [5.31] * 2 + [2.31] * 2, abs=0.01)
    # A late reading that breaks the time is known by the days that follow from it.
    put(store, [(HUMIDITY, ms(4, 6) + 1, 50.0, CLOCK)])
    again = assessed(store, 8)
    # The night of day 3 and day 4 hold the reading; day 5 is told by it that the element was never wet for long enough.
    assert again.recomputed == 3
    assert result_of(day_of(again, 5), "humidity-day")["uncertainty"] == pytest.approx(2.31, abs=0.01)


def test_a_reading_that_is_sent_again_touches_nothing(past: Store) -> None:
    put(past, [(AMBIENT, ms(5, 12), 99.0, CLOCK)])
    assert assessed(past, DAYS).recomputed == 0


def test_readings_that_come_in_time_touch_no_day_that_is_over(past: Store) -> None:
    live(past, 3, first=DAYS + 1)
    assert assessed(past, DAYS).recomputed == 0


def test_a_calibration_touches_the_days_since_it(past: Store) -> None:
    before = assessed(past, DAYS)
    enter(past, check_of(BASKING, instant(7, 15), reference=0.0, reads=3.0))
    after = assessed(past, DAYS)
    assert after.recomputed == DAYS - 7
    assert [n for n in range(DAYS) if after.days[n].inputs != before.days[n].inputs] == list(range(7, DAYS))
    # It reads 3 °C too high: what it calls 35 is 32, below the band.
    assert verdicts(day_of(after, 9))["hot-spot"] == "not met"
    assert verdicts(day_of(after, 6))["hot-spot"] == "met"


def test_a_calibration_between_two_others_touches_the_days_up_to_the_next(past: Store) -> None:
    enter(past, check_of(BASKING, instant(9, 15), reference=0.0, reads=0.1))
    assert assessed(past, DAYS).recomputed == DAYS - 9
    enter(past, check_of(BASKING, instant(4, 15), reference=0.0, reads=0.2))
    # Days 4 to 9; the ninth began under the older check, and was corrected by it until 15:00.
    assert assessed(past, DAYS).recomputed == 9 - 4 + 1


def test_a_placement_touches_the_days_since_it(past: Store) -> None:
    moved(past, AMBIENT, instant(6, 12), "canopy")
    after = assessed(past, DAYS)
    assert after.recomputed == DAYS - 6


def test_a_profile_version_touches_the_days_since_it(past: Store) -> None:
    hotter = {"target": [{"check": "hot-spot", "low": 40.0, "high": 44.0, "source": "a trial"}]}
    enter(past, ProfileVersion(profile_id=1, version=2, body=hotter, from_at=instant(8), **ENTERED))
    after = assessed(past, DAYS)
    assert after.recomputed == DAYS - 8
    assert verdicts(day_of(after, 8)) == {"hot-spot": "not met"}
    assert verdicts(day_of(after, 7))["hot-spot"] == "met"


def test_an_override_touches_the_days_that_it_holds_on(past: Store) -> None:
    enter(past, override(instant(3), instant(6), low=20.0, high=30.0))
    after = assessed(past, DAYS)
    assert after.recomputed == 3
    assert [verdicts(day_of(after, n))["hot-spot"] for n in (2, 3, 5, 6)] == ["met", "not met", "not met", "met"]


@pytest.mark.parametrize("since", [instant(8), instant(8, 11.5)])
def test_new_lights_touch_the_days_that_they_shine_on(past: Store, since: datetime) -> None:
    day = since.replace(hour=8, minute=0).time()
    enter(past, LightSchedule(enclosure_id=1, on=day, off=day.replace(hour=20), from_at=since, **ENTERED))
    after = assessed(past, DAYS)
    assert after.recomputed == DAYS - 8


def test_new_misting_touches_the_days_that_it_is_due_on(past: Store) -> None:
    enter(past, MistingSchedule(enclosure_id=1, cycles=[("16:00", 45)], from_at=instant(10), **ENTERED))
    after = assessed(past, DAYS)
    assert after.recomputed == DAYS - 10
    # The water that came at noon is no longer a cycle's: it was by hand, as far as anyone knows.
    assert day_of(after, 10)["spikes"]["unscheduled"] == 1
    assert day_of(after, 10)["spikes"]["none"] == 1


def test_what_happens_elsewhere_touches_nothing(past: Store) -> None:
    with past.write() as session:
        other = an_enclosure(session, "rack-a-2")
        channel = a_probe(session, "other", ("air_temperature",), other)[0]
    put(past, [(channel, ms(3, n), 30.0, CLOCK) for n in range(24)])
    enter(past, check_of(channel, instant(3), reference=0.0, reads=1.0))
    assert assessed(past, DAYS).recomputed == 0


def test_a_fact_that_is_taken_back_gives_the_old_days_again(past: Store) -> None:
    before = assessed(past, DAYS)
    enter(past, override(instant(3), None, low=20.0, high=30.0))
    assert assessed(past, DAYS).recomputed == DAYS - 3
    withdrawn = override(instant(3), None, low=20.0, high=30.0)
    withdrawn.replaces_id, withdrawn.withdrawn = 1, True
    enter(past, withdrawn)
    assert assessed(past, DAYS).days == before.days


def test_a_misting_pump_that_dies_is_told_from_the_day_on(store: Store) -> None:
    furnish(store)
    live(store, 3)
    at = np.arange(ms(3), ms(7), 300_000, dtype=np.int64)
    put(store, rows_of(climate(at, ms(0), misted=False), at))
    found = assessed(store, 6)
    assert [day_of(found, n)["spikes"]["confirmed"] for n in range(6)] == [1, 1, 1, 0, 0, 0]
    assert [day_of(found, n)["spikes"]["none"] for n in range(6)] == [0, 0, 0, 1, 1, 1]
    assert {cycle["basis"] for day in found.days for cycle in day.body["misting"]} == {"schedule"}
