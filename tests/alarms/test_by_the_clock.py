"""What no reading tells: care that is overdue, and enclosures that were left out of service."""

from datetime import datetime, timedelta

import pytest

from service.alarms.holding import end_hold, take_out_of_service
from service.model import Alarm, CareDone, CareTask, Equipment, Flag, from_ms
from service.store.alarms import list_alarms
from service.store.engine import Store
from service.store.facts import load_facts
from service.store.readings import add_readings, next_number
from service.watch.by_the_clock import LOOK_EVERY_MS
from service.watch.live import Watch
from service.watch.replay import derive, differences, recorded
from tests.builders import LONG_AGO, MINUTE, NOON, NOON_MS, a_probe, a_site, an_enclosure

HOUR, DAY = timedelta(hours=1), timedelta(days=1)


class Room:
    """One enclosure under the live watch, whose probe speaks each minute."""

    def __init__(self, store: Store) -> None:
        self.store, self.now = store, NOON
        with store.write() as session:
            a_site(session, "Europe/Lisbon")
            a_probe(session, "spot", ("surface_temperature",), an_enclosure(session, name="Day geckos 1"), "basking")
        self.watch = Watch(store, lambda: round(self.now.timestamp() * 1000), lambda: None)

    def until(self, now: datetime) -> None:
        """Let time pass without a reading."""
        self.now = now
        self.watch.step()

    def speaks(self, minutes: int, value: float) -> None:
        for _ in range(minutes):
            self.now += timedelta(milliseconds=MINUTE)
            at = round(self.now.timestamp() * 1000)
            with self.store.write() as session:
                add_readings(session, [(1, at, value, int(Flag.DEVICE_CLOCK))])
            self.watch.step()

    def rests(self, until: datetime, note: str | None = "cleaning") -> int:
        with self.store.write() as session:
            return take_out_of_service(session, 1, "Ines", note, self.now, until).id or 0

    def alarms(self, condition: str) -> list[Alarm]:
        with self.store.read() as session:
            return [alarm for alarm in reversed(list_alarms(session, limit=1000)) if alarm.condition == condition]

    def states(self, condition: str) -> list[str]:
        return [alarm.state for alarm in self.alarms(condition)]


@pytest.fixture
def room(store: Store) -> Room:
    return Room(store)


def test_a_rest_that_ends_with_doors_open_calls_and_the_call_ends_when_all_is_well(room: Room) -> None:
    room.speaks(3, 34.0)
    room.rests(NOON + 20 * timedelta(minutes=1))
    room.speaks(12, 41.0)
    assert room.states("basking-overheat") == ["out of service"]
    assert room.states("out-of-service-over") == []
    room.speaks(8, 41.0)
    assert room.states("basking-overheat") == ["unacknowledged"]
    (over,) = room.alarms("out-of-service-over")
    assert (over.priority, over.state, over.place) == ("high", "unacknowledged", "rack-a-1")
    assert over.cause == (
        "The time out of service of Day geckos 1 ended at 2026-03-02 12:20, by Ines: cleaning. "
        "Still so: Basking spot too hot."
    )
    room.speaks(5, 34.0)
    assert room.states("basking-overheat") == ["returned, unacknowledged"]
    assert room.states("out-of-service-over") == ["returned, unacknowledged"]


def test_a_rest_that_ends_with_all_well_or_by_hand_says_nothing(room: Room) -> None:
    room.speaks(3, 34.0)
    room.rests(NOON + 10 * timedelta(minutes=1))
    room.speaks(10, 34.0)
    by_hand = room.rests(room.now + HOUR)
    room.speaks(4, 41.0)
    with room.store.write() as session:
        end_hold(session, by_hand, "Ines", room.now)
    room.speaks(3, 41.0)
    assert room.states("basking-overheat") == ["unacknowledged"]
    assert room.states("out-of-service-over") == []


def test_taken_out_again_the_call_ends(room: Room) -> None:
    room.rests(NOON + 5 * timedelta(minutes=1))
    room.speaks(8, 41.0)
    assert room.states("out-of-service-over") == ["unacknowledged"]
    room.rests(room.now + HOUR)
    room.speaks(2, 41.0)
    assert room.states("out-of-service-over") == ["returned, unacknowledged"]
    assert room.states("basking-overheat") == ["out of service"]


@pytest.mark.parametrize(
    ("length", "reminded"),
    [(11 * HOUR, None), (12 * HOUR, 11 * HOUR), (10 * DAY, 24 * HOUR)],
)
def test_a_long_rest_is_reminded_of_once_before_it_ends(
    room: Room, length: timedelta, reminded: timedelta | None
) -> None:
    room.rests(NOON + length, note=None)
    room.until(NOON)
    if reminded is not None:
        room.until(NOON + reminded - timedelta(seconds=11))
        assert room.states("out-of-service-long") == []
        room.until(NOON + reminded)
        (told,) = room.alarms("out-of-service-long")
        assert (told.state, told.priority, told.raised_at) == ("unacknowledged", "low", NOON + reminded)
        assert told.cause is not None
        assert told.cause.startswith(
            "Out of service since 2026-03-02 12:00, by Ines. It is watched again from 2026-03-"
        )
    room.until(NOON + length)
    room.until(NOON + length + timedelta(milliseconds=LOOK_EVERY_MS))
    assert room.states("out-of-service-long") == ([] if reminded is None else ["returned, unacknowledged"])


def test_care_is_called_when_it_is_due_and_ends_when_it_is_done(room: Room) -> None:
    entered = {"entered_by": "a test", "entered_at": LONG_AGO}
    with room.store.write() as session:
        lamp = Equipment(enclosure_id=1, kind="uvb-lamp", replace_after_months=8, from_at=NOON - 230 * DAY, **entered)
        session.add(lamp)
        session.add(Equipment(enclosure_id=1, kind="pump", from_at=LONG_AGO, **entered))
        water = {"every_days": 7, "first_due": NOON + 20 * DAY, "made_at": NOON, "made_by": "Ines"}
        session.add(CareTask(enclosure_id=None, kind="water-change", **water))
    room.until(NOON)
    assert room.states("care-overdue") == []
    room.until(NOON + 15 * DAY)
    (due,) = room.alarms("care-overdue")
    assert (due.place, due.priority, due.state) == ("rack-a-1/uvb-lamp", "low", "unacknowledged")
    assert due.cause == "UVB lamp: installed 2025-07-15, to be replaced by 2026-03-15."
    with room.store.write() as session:
        fresh = {"enclosure_id": 1, "kind": "uvb-lamp", "replace_after_months": 8, "from_at": NOON + 15 * DAY}
        session.add(Equipment(replaces_id=lamp.id, **fresh, **entered))
        next_number(session, "facts")
    room.until(NOON + 21 * DAY)
    assert [(a.place, a.state) for a in room.alarms("care-overdue")] == [
        ("rack-a-1/uvb-lamp", "returned, unacknowledged"), ("site/water-change", "unacknowledged"),
    ]  # fmt: skip
    with room.store.write() as session:
        done = {"task_id": 1, "kind": "water-change", "at": room.now, "entered_at": room.now, "by": "Ines"}
        session.add(CareDone(**done))
    room.until(NOON + 22 * DAY)
    assert room.states("care-overdue") == ["returned, unacknowledged"] * 2


def test_a_watch_that_starts_again_tells_it_once_and_replay_asks_nothing_of_the_readings(room: Room) -> None:
    room.rests(NOON + 30 * HOUR)
    room.until(NOON + 25 * HOUR)
    Watch(room.store, lambda: round(room.now.timestamp() * 1000), lambda: None).step()
    assert len(room.alarms("out-of-service-long")) == 1
    with room.store.read() as session:
        facts, end = load_facts(session), NOON_MS + 3 * 86_400_000
        there, here = recorded(session, facts, NOON_MS, end, None), derive(session, facts, NOON_MS, end)
    assert differences(there, here, end) == []
    assert from_ms(NOON_MS) == NOON
