"""Whatever comes, a look-back gives the right verdict or says why there is none."""

from datetime import time
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from past_room import (
    AMBIENT,
    BASKING,
    CLOCK,
    DAY,
    ENTERED,
    FIRST,
    HOUR,
    MINUTE,
    assessed,
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

from service.errors import BadUse, NotFound
from service.lookback.spans import enclosure_of, span_of
from service.lookback.text import text_of
from service.model import LightSchedule, Placement
from service.store.engine import Store
from service.store.facts import load_facts
from service.store.readings import next_number
from tests.builders import LONG_AGO, a_probe


def without(store: Store, channel: int) -> None:
    """Take a channel out of the enclosure, as if it had never stood there."""
    with store.write() as session:
        old = session.get_one(Placement, channel)
        session.add(
            Placement(
                channel_id=channel, enclosure_id=1, zone=old.zone, from_at=old.from_at, replaces_id=old.id,
                withdrawn=True, **ENTERED,
            )
        )  # fmt: skip
        next_number(session, "facts")


def relit(store: Store, on: time, off: time) -> None:
    enter(store, LightSchedule(enclosure_id=1, on=on, off=off, from_at=instant(-1), **ENTERED))


def added(store: Store, quantity: str, zone: str, model: str) -> int:
    with store.write() as session:
        channel = a_probe(session, "extra", (quantity,), model=model, every_s=300)[0]
        session.add(Placement(channel_id=channel, enclosure_id=1, zone=zone, from_at=LONG_AGO, **ENTERED))
    return channel


def test_humidity_without_a_temperature_beside_it(store: Store) -> None:
    furnish(store)
    live(store, 3)
    without(store, AMBIENT)
    day = day_of(assessed(store, 2), 1)
    misting = result_of(day, "misting-cycles")
    assert misting["verdict"] == "no data"
    assert misting["details"]["reason"] == "no air temperature beside the humidity at the ambient"
    assert day["spikes"]["no_data"] == 1
    # Humidity itself is known.
    assert result_of(day, "humidity-day")["verdict"] == "met"


def test_a_profile_that_names_a_zone_the_enclosure_lacks(store: Store) -> None:
    furnish(store)
    live(store, 3)
    without(store, BASKING)
    day = day_of(assessed(store, 2), 1)
    for check in ("hot-spot", "hot-spot-peak"):
        found = result_of(day, check)
        assert (found["verdict"], found["zone"], found["value"]) == ("no data", None, None)
        assert found["details"]["reason"] == "no temperature channel in the basking zone"
    assert day["verdict"] == "no data"
    assert verdicts(day)["night-drop"] == "met"


def test_of_overlapping_overrides_the_one_that_began_last_holds(store: Store) -> None:
    furnish(store)
    live(store, 6)
    enter(store, override(instant(1), instant(5), low=20.0, high=30.0), override(instant(2), instant(4), low=30.0))
    found = assessed(store, 5)
    assert [verdicts(day_of(found, n))["hot-spot"] for n in range(5)] == ["met", "not met", "met", "met", "not met"]


def test_reversed_light(store: Store) -> None:
    furnish(store)
    relit(store, time(19), time(7))
    at = np.arange(ms(0), ms(5), 300_000, dtype=np.int64)
    # The day begins twelve hours later.
    put(store, rows_of(climate(at, ms(0, 12)), at))
    day = day_of(assessed(store, 3), 1)
    assert day["photoperiod"] == {
        "on": "2026-03-03T19:00:00.000Z", "off": "2026-03-04T07:00:00.000Z", "basis": "schedule",
    }  # fmt: skip
    assert {name: verdict for name, verdict in verdicts(day).items() if name != "misting-cycles"} == dict.fromkeys(
        ("hot-spot", "hot-spot-peak", "gradient", "night-drop", "humidity-day"), "met"
    )
    # The water comes at midnight, the cycle is due at noon.
    assert day["spikes"]["none"] == 1
    assert day["spikes"]["unscheduled"] == 1


def test_lights_across_midnight(store: Store) -> None:
    furnish(store)
    relit(store, time(14), time(2))
    at = np.arange(ms(0), ms(5), 300_000, dtype=np.int64)
    put(store, rows_of(climate(at, ms(0, 7)), at))
    day = day_of(assessed(store, 3), 1)
    assert day["photoperiod"]["off"] == "2026-03-04T02:00:00.000Z"
    assert verdicts(day)["hot-spot"] == "met"
    assert verdicts(day)["night-drop"] == "met"


@pytest.mark.parametrize("every_s", [1, 3600])
def test_a_reading_each_second_or_each_hour(store: Store, every_s: int) -> None:
    furnish(store, every_s=every_s)
    at = np.arange(ms(0, 20), ms(2, 11), every_s * 1000, dtype=np.int64)
    put(store, rows_of(climate(at, ms(0)), at))
    day = day_of(assessed(store, 2), 1)
    temperature = {"hot-spot": "met", "hot-spot-peak": "met", "gradient": "met", "night-drop": "met"}
    assert verdicts(day).items() >= temperature.items()
    # Hourly readings cannot show what a cycle did within 20 minutes.
    expected = ("met", 0) if every_s == 1 else ("no data", 1)
    assert (verdicts(day)["misting-cycles"], day["spikes"]["no_data"]) == expected


@pytest.mark.parametrize("declared", [300.0, None])
def test_a_tenth_of_the_readings_missing_at_random(store: Store, declared: float | None) -> None:
    furnish(store, every_s=declared)
    at = np.arange(ms(0), ms(4), 300_000, dtype=np.int64)
    random = np.random.default_rng(7)
    for channel, values in climate(at, ms(0)).items():
        kept = random.random(len(at)) > 0.1
        put(store, rows_of({channel: values[kept]}, at[kept]))
    for n in (1, 2):
        day = day_of(assessed(store, 3), n)
        assert set(verdicts(day).values()) == {"met"}
        assert 0.9 < result_of(day, "hot-spot")["coverage"] <= 1


def test_a_probe_moved_at_noon_tells_of_each_place_only_what_it_saw_there(store: Store) -> None:
    furnish(store)
    live(store, 5)
    moved(store, BASKING, instant(2, 12), "warm-end")
    found = assessed(store, 4)
    assert [verdicts(day_of(found, n))["hot-spot"] for n in range(4)] == ["met", "met", "no data", "no data"]
    noon = result_of(day_of(found, 2), "hot-spot")
    # Four hours of eleven, and the last reading before noon does not stand on after it.
    assert noon["coverage"] == pytest.approx(4 / 11, abs=0.001)
    assert "36 % of the time looked at" in noon["sentence"]
    assert result_of(day_of(found, 3), "hot-spot")["details"]["reason"] == "no temperature channel in the basking zone"
    # From the warm end the gradient is known again.
    assert verdicts(day_of(found, 3))["gradient"] == "met"


def test_what_stood_here_only_before_the_day_does_not_hide_what_stands_here_now(store: Store) -> None:
    furnish(store)
    live(store, 4)
    moved(store, AMBIENT, instant(1, 23), "retreat")
    day = day_of(assessed(store, 3), 2)
    # The lead of the day held an ambient channel; the day itself falls back on the cool end.
    assert result_of(day, "night-drop")["zone"] == "cool-end"
    assert result_of(day, "night-drop")["coverage"] == pytest.approx(1.0, abs=0.01)


def test_clocks_that_change(store: Store) -> None:
    """Lisbon, 29 March 2026: a day of 23 hours."""
    furnish(store, timezone="Europe/Lisbon")
    first = (np.datetime64("2026-03-27T00:00") - np.datetime64("1970-01-01T00:00")).astype(int) * MINUTE
    change = int(first) + 2 * DAY + HOUR
    at = np.arange(first, first + 5 * DAY, 300_000, dtype=np.int64)
    # The wall clock is an hour ahead from the change on.
    wall = np.where(at >= change, at + HOUR, at)
    put(store, rows_of(climate(wall, int(first)), at))
    report = looked_back(store, "2026-03-28", "2026-03-30")
    assert [day["photoperiod"]["on"] for day in report["days"]] == [
        "2026-03-28T07:00:00.000Z", "2026-03-29T06:00:00.000Z", "2026-03-30T06:00:00.000Z",
    ]  # fmt: skip
    assert [day["verdict"] for day in report["days"]] == ["met", "met", "met"]
    assert [cycle["at"][11:16] for cycle in report["misting"]] == ["12:00", "11:00", "11:00"]
    assert report["data"]["readings"] == 4 * (288 + 276 + 288)
    assert report["gaps"] == []


def test_an_enclosure_that_no_profile_asks_anything_of(store: Store) -> None:
    furnish(store, body={"target": []})
    live(store, 3)
    report = looked_back(store, "2026-03-02", "2026-03-03")
    assert [day["verdict"] for day in report["days"]] == ["no data", "no data"]
    assert "No profile asked for anything, so nothing was held against a target." in report["summary"]["sentences"]
    assert "nothing was asked for" in text_of(report)


def test_a_probe_model_that_the_catalogue_does_not_list_counts_as_any_probe(store: Store) -> None:
    furnish(store)
    live(store, 3)
    channel = added(store, "air_temperature", "warm-end", "of-another-time")
    put(store, [(channel, ms(0, n), 30.0, CLOCK) for n in range(72)])
    assert day_of(assessed(store, 2), 1)["verdict"] == "met"


def test_the_light_channel_says_when_the_day_was(store: Store) -> None:
    furnish(store)
    live(store, 4)
    channel = added(store, "illuminance", "canopy", "generic-light")
    at = np.arange(ms(0), ms(4), 300_000, dtype=np.int64)
    hour = (at - ms(0)) % DAY / HOUR
    put(store, rows_of({channel: np.where((hour >= 9) & (hour < 18), 4000.0, 0.0)}, at))
    day = day_of(assessed(store, 3), 1)
    assert day["photoperiod"]["basis"] == "light"
    assert day["photoperiod"]["on"] == "2026-03-03T09:00:00.000Z"


@pytest.mark.parametrize(("zone", "basis"), [("basking", "lamp power"), ("ambient", "schedule")])
def test_power_is_the_lamps_where_lamps_hang_and_else_the_pumps(store: Store, zone: str, basis: str) -> None:
    furnish(store)
    live(store, 4)
    channel = added(store, "power", zone, "generic-power")
    at = np.arange(ms(0), ms(4), 300_000, dtype=np.int64)
    hour = (at - ms(0)) % DAY / HOUR
    put(store, rows_of({channel: np.where((hour >= 12) & (hour < 12.2), 40.0, 0.0)}, at))
    if zone == "basking":
        put(store, rows_of({channel: np.where((hour >= 7) & (hour < 19), 50.0, 0.0)}, at + 1))
    found = assessed(store, 3).days[1].body
    assert found["day"]["photoperiod"]["basis"] == basis
    assert {cycle["basis"] for cycle in found["misting"]} == {"schedule" if zone == "basking" else "pump current"}


def test_a_pump_that_ran_is_the_cycle_and_one_that_did_not_run_was_due(store: Store) -> None:
    furnish(store)
    live(store, 5)
    pump = added(store, "switch", "ambient", "generic-switch")
    states: list[tuple[int, int, float, int]] = [(pump, ms(0, n), 0.0, CLOCK) for n in range(96)]
    # On the second day it ran four minutes late, on the third not at all, on the fourth twice.
    for day, minute in ((1, 4), (3, 0), (3, 240)):
        start = ms(day, 12) + minute * MINUTE
        states += [(pump, start + 1, 1.0, CLOCK), (pump, start + 45_001, 0.0, CLOCK)]
    put(store, states)
    found = assessed(store, 4)
    cycles = [[(c["at"][11:19], c["basis"]) for c in day.body["misting"]] for day in found.days]
    assert cycles[1] == [("12:04:00", "pump state")]
    assert cycles[2] == [("12:00:00", "schedule")]
    assert cycles[3] == [("12:00:00", "pump state"), ("16:00:00", "pump state")]


@pytest.mark.parametrize(
    ("first", "last", "said"),
    [
        ("yesterday", None, "from: 'yesterday' is no date such as"),
        ("2026-03-09", "2026-03-08", "from (2026-03-09) is not before to (2026-03-08)"),
        ("2020-01-01", "2026-03-08", "more than 1,100 days apart"),
        (None, "9999-12-31", "lies outside the years"),
        ("0001-01-01", None, "lies outside the years"),
        ("2026-03-08T10:00+99:00", None, "is no date such as"),
    ],
)
def test_a_span_that_cannot_be_is_refused_in_a_sentence(first: str | None, last: str | None, said: str) -> None:
    with pytest.raises(BadUse) as refused:
        span_of(first, last, ZoneInfo("Europe/Lisbon"), instant(9))
    assert said in str(refused.value)


def test_an_unknown_enclosure_is_refused_with_the_nearest_name(store: Store) -> None:
    furnish(store)
    with store.read() as session:
        facts = load_facts(session)
    with pytest.raises(NotFound, match="did you mean 'rack-a-1'"):
        enclosure_of(facts, "rack-a-l")


def test_by_default_the_last_thirty_days_are_looked_back_on() -> None:
    span = span_of(None, None, ZoneInfo("UTC"), instant(40, 12))
    assert (span.last - span.first).days == 29
    assert span.last.toordinal() == FIRST.toordinal() + 40
