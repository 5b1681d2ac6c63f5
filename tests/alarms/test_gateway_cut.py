"""A gateway or a rack that is cut off is one alarm, which suppresses what it explains."""

from collections.abc import Mapping

import pytest

from service.model import Alarm, Flag
from service.store.alarms import list_alarms
from service.store.engine import Store
from service.store.facts import load_facts
from service.store.holds import standing_holds
from service.store.readings import add_readings
from service.watch.history import record_history
from service.watch.live import Watch
from service.watch.supplies import Supplies
from tests.builders import MINUTE, NOON_MS, a_probe, a_site, an_enclosure

A, B = range(1, 11), range(11, 16)
"""Channels of the two racks; ten of one, five of the other."""
EVERYONE = [*A, *B]


class Clock:
    def __init__(self) -> None:
        self.ms = NOON_MS

    def __call__(self) -> int:
        return self.ms


@pytest.fixture(params=["rack", "topic", "declared"])
def house(store: Store, request: pytest.FixtureRequest) -> tuple[Store, str]:
    """Fifteen probes; five of them have a rack, a level of their topics, or a gateway's topic in common."""
    by = request.param
    with store.write() as session:
        a_site(session)
        for number in EVERYONE:
            rack = ("B" if number in B else "A") if by == "rack" else None
            enclosure = an_enclosure(session, f"e{number}", rack=rack, level=1, slot=number)
            name = f"spot-{number}"
            topics = {"rack": f"probes/{name}", "topic": f"north/{'gw-b' if number in B else 'gw-a'}/{name}"}
            more = {"topic": topics.get(by, f"probes/{name}")}
            if by == "declared" and number in B:
                more = {"topic": "radio", "called": name, "called_at": "topic"}
            a_probe(session, name, ("surface_temperature",), enclosure, "basking", **more)
    return store, {"rack": "rack/front/B", "topic": "gateway/north/gw-b", "declared": "gateway/radio"}[by]


def live(store: Store, until: int, speaking: Mapping[int, list[int]]) -> None:
    """Run the live watch minute by minute; `speaking` says from which minute on who speaks."""
    clock, who = Clock(), EVERYONE
    watch = Watch(store, clock, lambda: None)
    for minute in range(until):
        who = speaking.get(minute, who)
        with store.write() as session:
            at = NOON_MS + minute * MINUTE
            add_readings(session, [(channel, at + channel, 34.0, int(Flag.DEVICE_CLOCK)) for channel in who])
        clock.ms = NOON_MS + minute * MINUTE + 500
        watch.step()
        if minute % 9 == 0:  # as if it had been started again
            watch.save()
            watch = Watch(store, clock, lambda: None)


def recorded(store: Store) -> list[Alarm]:
    with store.read() as session:
        return list(reversed(list_alarms(session, limit=1000)))


def told(store: Store) -> dict[str, str]:
    return {alarm.place: alarm.state for alarm in recorded(store)}


def fingerprint(store: Store) -> list[tuple]:
    return sorted((a.condition, a.place, a.raised_at, a.returned_at) for a in recorded(store))


def test_one_alarm_for_the_gateway_and_its_stragglers_by_name_alike_in_hindsight(house: tuple[Store, str]) -> None:
    store, place = house
    live(store, 30, {5: [*A]})
    (cut,) = [alarm for alarm in recorded(store) if alarm.condition == "gateway-cut"]
    assert (cut.place, cut.priority, cut.state, cut.enclosure_id) == (place, "high", "unacknowledged", None)
    assert cut.cause is not None
    assert "5 of the 5 channels of" in cut.cause
    silent = [alarm.state for alarm in recorded(store) if alarm.condition == "probe-silent"]
    assert silent == ["suppressed by design"] * len(B)
    with store.read() as session:
        (hold,) = standing_holds(session)
    assert (hold.because, sorted(hold.places or [])) == (place, sorted(f"spot-{number}" for number in B))
    store_again(store)
    live(store, 45, {5: [*A], 30: [*A, 11, 12, 13, 14]})
    states = told(store)
    assert states["spot-15"] == "unacknowledged"
    assert {states[f"spot-{number}"] for number in (11, 12, 13, 14)} == {"normal"}
    assert states[place] == "returned, unacknowledged"
    as_lived = fingerprint(store)
    store_again(store)
    record_history(store, NOON_MS, NOON_MS + 44 * MINUTE + 501)
    assert fingerprint(store) == as_lived


def store_again(store: Store) -> None:
    """Forget what the watch made of the readings."""
    with store.write() as session:
        for table in ("telling", "alarm_transition", "alarm", "alarm_hold", "watch_state", "room_watch_state"):
            session.connection().exec_driver_sql(f"DELETE FROM {table}")  # noqa: S608 - names of our own


@pytest.fixture
def racks(store: Store) -> Store:
    with store.write() as session:
        a_site(session)
        for number in EVERYONE:
            enclosure = an_enclosure(session, f"e{number}", rack="B" if number in B else "A", level=1, slot=number)
            a_probe(session, f"spot-{number}", ("surface_temperature",), enclosure, "basking")
    return store


def test_when_the_whole_room_goes_dark_no_rack_is_told_beside_it(racks: Store) -> None:
    live(racks, 30, {5: []})
    common = {alarm.place for alarm in recorded(racks) if alarm.condition in {"gateway-cut", "room-blackout"}}
    assert common == {"room/front"}
    store_again(racks)
    # Power is back, but not in rack B: now that is an alarm of its own, and its probes are not told one by one.
    live(racks, 60, {5: [], 30: [*A]})
    states = told(racks)
    assert states["rack/front/B"] == "unacknowledged"
    assert {states[f"spot-{number}"] for number in B} == {"suppressed by design"}


def test_two_silent_probes_of_a_rack_are_told_by_name(racks: Store) -> None:
    live(racks, 20, {5: [*A, 11, 12, 13]})
    assert {alarm.condition for alarm in recorded(racks)} == {"probe-silent"}


def test_what_all_probes_share_is_no_gateway(racks: Store) -> None:
    with racks.read() as session:
        supplies = Supplies(load_facts(session))
    assert set(supplies.known) == {"room/front", "rack/front/A", "rack/front/B"}
    assert supplies.of(11, NOON_MS) == ["room/front", "rack/front/B"]
    assert supplies.known["rack/front/B"].channels_at(NOON_MS) == len(B)
