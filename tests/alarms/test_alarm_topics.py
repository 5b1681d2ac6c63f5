"""Standing alarms on a real broker: retained while they stand, taken back afterwards, said again after a restart."""

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from service.alarms.holding import shelve
from service.alarms.record import WATCH, Deed, Occurrence, acknowledge, record_raised, record_returned
from service.ingest.broker_address import BrokerAddress, address_of
from service.ingest.embedded_broker import free_port
from service.ingest.intake import Intake
from service.ingest.outgoing import Outgoing
from service.ingest.subscriber import Listening, Subscriber
from service.model import RefusedMessage, RefusedTopic, table_of
from service.notify.alarm_topics import PREFIX, AlarmTopics
from service.store.alarms import get_alarm
from service.store.engine import Store
from tests.builders import NOON, NOON_MS, a_probe, a_site, an_enclosure, publish, publisher, wait_until
from tests.mosquitto import Mosquitto

HOT = f"{PREFIX}rack-a-1/basking-overheat"
EVERYTHING = Listening("#")
GONE = json.dumps({"state": "unacknowledged"})
TITLES = {"basking-overheat": "Basking spot too hot"}


@pytest.fixture
def room(store: Store) -> Store:
    with store.write() as session:
        a_site(session)
        a_probe(session, "spot", ("surface_temperature",), an_enclosure(session), "basking")
    return store


def raised(store: Store, condition: str = "basking-overheat", zone: str | None = "basking", **more: Any) -> int:
    usual: dict[str, Any] = {"enclosure_id": 1, "zone": zone, "value": 41.0, "peak": 41.5, "limit": 38.0, "unit": "Cel"}
    with store.write() as session:
        known: dict[str, Any] = {"raised_at": NOON, "began_at": NOON, "priority": "high", "place": f"rack-a-1/{zone}"}
        alarm = record_raised(session, Occurrence(condition, **(known | usual | more)), NOON)
        assert alarm is not None
        return alarm.id or 0


def returned(store: Store, alarm_id: int) -> None:
    with store.write() as session:
        record_returned(session, get_alarm(session, alarm_id), Deed(WATCH, NOON, NOON, "back to normal"), 42.0)


@contextmanager
def speaking(store: Store, address: BrokerAddress, listening: Listening = EVERYTHING) -> Iterator[Subscriber]:
    """Run the ear and what says the alarms through it."""
    outgoing, stop = Outgoing(PREFIX), threading.Event()
    ear = Subscriber(
        address, "wardian-test", Intake(store, 500).take, receipts=lambda _name: [], committed=lambda: None,
        now_ms=lambda: NOON_MS, listening=listening, outgoing=outgoing,
    )  # fmt: skip
    topics = AlarmTopics(store, outgoing, TITLES, look_every_s=0.05)
    threads = [threading.Thread(target=run, args=(stop,)) for run in (ear.run, topics.run)]
    for thread in threads:
        thread.start()
    try:
        wait_until(lambda: ear.connection.connected)
        yield ear
    finally:
        stop.set()
        for thread in threads:
            thread.join(10)


class Siren:
    """Another system that follows the alarms: what is kept, and what was said."""

    def __init__(self, address: BrokerAddress) -> None:
        self.kept: dict[str, dict[str, Any]] = {}
        self.said: list[tuple[str, str, bool]] = []
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"siren-{free_port()}")
        self.client.on_connect = self._joined
        self.client.on_message = self._hear
        self.client.connect(address.host, address.port)
        self.client.loop_start()

    def _joined(self, client: mqtt.Client, *_: object) -> None:
        client.subscribe(f"{PREFIX}#", qos=1)

    def _hear(self, _client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        if not message.payload:
            self.kept.pop(message.topic, None)
            return
        told = json.loads(message.payload)
        self.kept[message.topic] = told
        self.said.append((message.topic, told["state"], message.retain))

    def leave(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def siren() -> Iterator[Callable[[BrokerAddress], Siren]]:
    made: list[Siren] = []

    def follow(address: BrokerAddress) -> Siren:
        made.append(Siren(address))
        return made[-1]

    yield follow
    for one in made:
        one.leave()


@pytest.mark.parametrize("broker", ["mosquitto", "embedded_broker"])
def test_an_alarm_is_kept_while_it_stands_and_taken_back_when_it_has_returned(
    room: Store, broker: str, siren: Callable[[BrokerAddress], Siren], request: pytest.FixtureRequest
) -> None:
    found = request.getfixturevalue(broker)
    address = address_of(found.url) if isinstance(found, Mosquitto) else found
    with publisher(address) as other:
        # Kept by the broker from an earlier life of the service: nothing of it stands any more.
        publish(other, f"{PREFIX}gone/too-dry", GONE, retain=True)
    first = raised(room)
    with speaking(room, address):
        follows = siren(address)
        wait_until(lambda: HOT in follows.kept)
        told = follows.kept[HOT]
        assert {key: told[key] for key in ("enclosure", "zone", "priority", "state", "title", "value", "limit")} == {
            "enclosure": "rack-a-1", "zone": "basking", "priority": "high", "state": "unacknowledged",
            "title": "Basking spot too hot", "value": 41.0, "limit": 38.0,
        }  # fmt: skip
        assert (told["raised_at"], told["returned_at"]) == ("2026-03-02T12:00:00.000Z", None)
        with room.write() as session:
            acknowledge(session, first, "Ines", "lamp raised", NOON)
        wait_until(lambda: follows.kept[HOT]["state"] == "acknowledged")
        assert follows.kept[HOT]["acknowledged_by"] == "Ines"
        second = raised(room, place="rack-a-1/basking/2")
        wait_until(lambda: len(follows.kept[HOT]["places"]) == 2)
        assert follows.kept[HOT]["state"] == "unacknowledged"
        returned(room, first)
        wait_until(lambda: follows.kept[HOT]["places"] == ["rack-a-1/basking/2"])
        with room.write() as session:
            shelve(session, second, "Ines", None, NOON, NOON.replace(hour=13))
        wait_until(lambda: HOT not in follows.kept)
        assert (HOT, "shelved", False) in follows.said
        wait_until(lambda: f"{PREFIX}gone/too-dry" not in follows.kept)
        dark = raised(room, "room-blackout", place="room/front", enclosure_id=None, zone=None)
        wait_until(lambda: list(follows.kept) == [f"{PREFIX}@room.front/room-blackout"])
        returned(room, dark)
        wait_until(lambda: not follows.kept)
        late = siren(address)
        raised(room, "too-dry", "ambient")
        wait_until(lambda: list(late.kept) == [f"{PREFIX}rack-a-1/too-dry"])
        assert {topic for topic, _state, _kept in late.said} == {f"{PREFIX}rack-a-1/too-dry"}
    with room.read() as session:
        for table in (RefusedMessage, RefusedTopic):
            assert session.execute(table_of(table).select()).all() == []


def test_after_a_broker_that_forgot_all_what_stands_is_said_again(
    room: Store, mosquitto: Mosquitto, siren: Callable[[BrokerAddress], Siren]
) -> None:
    address = address_of(mosquitto.url)
    raised(room)
    # As the first of several workers, which share the probes' topics and so are not sent what the broker keeps.
    with speaking(room, address, Listening("$share/wardian/#", ("#",))) as ear:
        before = siren(address)
        wait_until(lambda: HOT in before.kept)
        mosquitto.stop()
        wait_until(lambda: not ear.connection.connected)
        for kept in mosquitto.folder.glob("*.db"):
            kept.unlink()
        mosquitto.start()
        with publisher(address) as other:
            publish(other, f"{PREFIX}gone/too-dry", GONE, retain=True)
        wait_until(lambda: ear.connection.connected)
        follows = siren(address)
        wait_until(lambda: list(follows.kept) == [HOT])


def test_nothing_waits_for_a_broker_that_is_away(room: Store) -> None:
    outgoing = Outgoing(PREFIX)
    topics = AlarmTopics(room, outgoing, TITLES)
    raised(room)
    assert (topics.step(), outgoing.take()) == (0, [])
    outgoing.joined()
    assert topics.step() == 1
    outgoing.joined()
    assert topics.step() == 1
    (message,) = outgoing.take()
    assert (message.topic, message.retain) == (HOT, True)
    assert topics.step() == 0
