"""A power cut is one alarm for the room; who stays silent after it is told by name."""

import pytest

from service.alarms.holding import shelve, take_out_of_service
from service.errors import Refused
from service.model import Alarm, Flag, from_ms, to_ms
from service.store.alarms import list_alarms
from service.store.engine import Store
from service.store.readings import add_readings
from service.watch.history import record_history
from service.watch.live import Watch
from tests.builders import MINUTE, NOON_MS, a_probe, a_site, an_enclosure

PROBES = 10


class Clock:
    def __init__(self) -> None:
        self.ms = NOON_MS

    def __call__(self) -> int:
        return self.ms


@pytest.fixture
def room(store: Store) -> Store:
    with store.write() as session:
        a_site(session)
        for number in range(PROBES):
            enclosure = an_enclosure(session, f"rack-a-{number}")
            a_probe(session, f"spot-{number}", ("surface_temperature",), enclosure, "basking")
    return store


def speak(store: Store, minute: float, channels: range, value: float = 34.0) -> None:
    rows = [
        (channel, NOON_MS + round(minute * MINUTE) + channel, value, int(Flag.DEVICE_CLOCK)) for channel in channels
    ]
    with store.write() as session:
        add_readings(session, rows)


EVERYONE = range(1, PROBES + 1)


def live(store: Store, minutes: range, speaking: dict[int, range]) -> None:
    """Run the live watch minute by minute; `speaking` says from which minute on who speaks."""
    clock = Clock()
    watch = Watch(store, clock, lambda: None)
    who = EVERYONE
    for minute in minutes:
        who = speaking.get(minute, who)
        speak(store, minute, who)
        clock.ms = NOON_MS + minute * MINUTE + 500
        watch.step()


def recorded(store: Store) -> list[Alarm]:
    with store.read() as session:
        return list(reversed(list_alarms(session, limit=1000)))


def told(store: Store) -> list[tuple[str, str, str]]:
    return [(alarm.condition, alarm.place, alarm.state) for alarm in recorded(store)]


NOBODY = range(0)


def test_a_power_cut_is_one_alarm_and_suppresses_what_it_explains(room: Store) -> None:
    live(room, range(30), {5: NOBODY})
    blackout = [alarm for alarm in recorded(room) if alarm.condition == "room-blackout"]
    assert [(alarm.place, alarm.priority, alarm.state) for alarm in blackout] == [
        ("room/front", "high", "unacknowledged")
    ]
    silent = [alarm.state for alarm in recorded(room) if alarm.condition == "probe-silent"]
    assert silent == ["suppressed by design"] * PROBES


def test_when_power_returns_everything_returns_and_stragglers_are_told_by_name(room: Store) -> None:
    live(room, range(40), {5: NOBODY, 30: range(1, PROBES - 1)})
    states = {place: state for condition, place, state in told(room) if condition == "probe-silent"}
    assert {place for place, state in states.items() if state == "unacknowledged"} == {"spot-8", "spot-9"}
    assert {state for place, state in states.items() if place not in {"spot-8", "spot-9"}} == {"normal"}
    (blackout,) = [alarm for alarm in recorded(room) if alarm.condition == "room-blackout"]
    assert blackout.returned_at is not None
    assert to_ms(blackout.returned_at) // MINUTE == NOON_MS // MINUTE + 30


def test_a_few_silent_probes_are_no_blackout(room: Store) -> None:
    live(room, range(30), {5: range(5, PROBES + 1)})
    assert {condition for condition, _, _ in told(room)} == {"probe-silent"}
    assert {state for _, _, state in told(room)} == {"unacknowledged"}


def test_probes_that_fall_silent_one_after_another_are_no_blackout(room: Store) -> None:
    live(room, range(100), {7 * n: range(n + 1, PROBES + 1) for n in range(1, PROBES)})
    assert "room-blackout" not in {condition for condition, _, _ in told(room)}


def test_a_blackout_comes_out_the_same_in_hindsight(room: Store, tmp_path_factory: pytest.TempPathFactory) -> None:
    live(room, range(50), {5: NOBODY, 30: range(1, PROBES - 1)})

    def fingerprint() -> list[tuple]:
        return sorted((a.condition, a.place, a.raised_at, a.returned_at) for a in recorded(room))

    as_lived = fingerprint()
    with room.write() as session:
        for table in ("telling", "alarm_transition", "alarm", "alarm_hold", "watch_state", "room_watch_state"):
            session.connection().exec_driver_sql(f"DELETE FROM {table}")  # noqa: S608 - names of our own
    record_history(room, NOON_MS, NOON_MS + 49 * MINUTE + 501)
    assert fingerprint() == as_lived


def test_a_shelved_alarm_stays_hidden_when_it_comes_again_and_is_back_at_its_time(room: Store) -> None:
    clock = Clock()
    watch = Watch(room, clock, lambda: None)

    def minute(at: int, value: float) -> None:
        speak(room, at, range(1, 2), value)
        clock.ms = NOON_MS + at * MINUTE + 500
        watch.step()

    for at in range(3):
        minute(at, 41)
    with room.write() as session:
        until = from_ms(NOON_MS + 20 * MINUTE)
        shelve(session, 1, "Ines", "lamp on order", from_ms(clock.ms), until)
    for at, value in ((3, 34), (4, 34), (5, 34), (6, 41), (7, 41), (8, 41)):
        minute(at, value)
    assert [state for condition, _, state in told(room) if condition == "basking-overheat"] == ["shelved", "shelved"]
    for at in range(9, 22):
        minute(at, 41)
    overheats = [alarm for alarm in recorded(room) if alarm.condition == "basking-overheat"]
    assert [alarm.state for alarm in overheats] == ["normal", "unacknowledged"]


def test_an_enclosure_out_of_service_raises_nothing_until_its_time_is_over(room: Store) -> None:
    clock = Clock()
    watch = Watch(room, clock, lambda: None)
    watch.step()
    with room.write() as session:
        take_out_of_service(session, 1, "Ines", "cleaning", from_ms(clock.ms), from_ms(NOON_MS + 10 * MINUTE))
        with pytest.raises(Refused, match="lies ahead"):
            take_out_of_service(session, 1, "Ines", None, from_ms(clock.ms), from_ms(clock.ms))
    for at in range(13):
        speak(room, at, range(1, 2), 41)
        clock.ms = NOON_MS + at * MINUTE + 500
        watch.step()
        expected = [] if at < 1 else ["out of service" if at < 10 else "unacknowledged"]
        assert [alarm.state for alarm in recorded(room) if alarm.condition == "basking-overheat"] == expected
