"""From a published message to a stored reading, over real brokers."""

import json
import os
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from service.ingest.broker_address import BrokerAddress, address_of
from service.ingest.embedded_broker import EmbeddedBroker, free_port
from service.main import now_ms
from service.model import Flag
from service.settings import Settings, load_settings
from service.store.engine import Store
from service.store.intake import refused_messages, refused_topics
from service.store.readings import newest_readings
from service.store.unclaimed import list_sources, messages_of
from tests.builders import MINUTE, a_probe, a_site, listening, publish, publisher, stored, wait_until
from tests.mosquitto import Mosquitto


@pytest.fixture(params=["embedded", "mosquitto"])
def address(request: pytest.FixtureRequest) -> BrokerAddress:
    if request.param == "embedded":
        return request.getfixturevalue("embedded_broker")
    return address_of(request.getfixturevalue("mosquitto").url)


@pytest.fixture
def with_probes(store: Store) -> Store:
    with store.write() as session:
        a_site(session)
        a_probe(session, "clock", ("air_temperature", "relative_humidity"), time_pointer="/at")
        a_probe(session, "plain", format="scalar")
    return store


CLOCK_TEMPERATURE, CLOCK_HUMIDITY, PLAIN = 1, 2, 3


def test_a_message_becomes_readings_and_the_newest_of_its_channels(with_probes: Store, address: BrokerAddress) -> None:
    at = now_ms() - MINUTE
    with listening(with_probes, address) as intake, publisher(address) as client:
        publish(client, "probes/clock", json.dumps({"air_temperature": 33.4, "relative_humidity": 61, "at": at}))
        publish(client, "probes/plain", "24.25")
        wait_until(lambda: intake.stored == 3)
    assert stored(with_probes, CLOCK_TEMPERATURE).value.tolist() == [33.4]
    assert stored(with_probes, CLOCK_TEMPERATURE).at.tolist() == [at]
    assert stored(with_probes, CLOCK_TEMPERATURE).flags.tolist() == [Flag.DEVICE_CLOCK]
    assert stored(with_probes, CLOCK_HUMIDITY).value.tolist() == [61.0]
    assert stored(with_probes, PLAIN).flags.tolist() == [Flag.ARRIVAL_CLOCK]
    with with_probes.read() as session:
        assert {state.channel_id: state.value for state in newest_readings(session)} == {1: 33.4, 2: 61.0, 3: 24.25}


def test_what_cannot_be_read_or_belongs_to_nobody_is_kept_with_its_reason(
    with_probes: Store, address: BrokerAddress
) -> None:
    with listening(with_probes, address) as intake, publisher(address) as client:
        publish(client, "probes/clock", b"\xff\xfe{")
        publish(client, "stray/thing", "hello")
        publish(client, "stray/thing", "again")
        publish(client, "probes/plain", "warm")
        publish(client, "probes/plain", "21.5")
        wait_until(lambda: intake.refused == 4 and intake.stored == 1)
    with with_probes.read() as session:
        counts = {topic.topic: topic.count for topic in refused_topics(session)}
        kept = {message.payload: message.reason for message in refused_messages(session)}
        (stray,) = list_sources(session)
        strays = [message.payload for message in messages_of(session, "stray/thing")]
    assert counts == {"probes/clock": 1, "probes/plain": 1}
    assert (stray.topic, stray.count, strays) == ("stray/thing", 2, [b"hello", b"again"])
    assert "no probe has this topic" in stray.reason
    assert "clock" in kept[b"\xff\xfe{"]
    assert "plain" in kept[b"warm"]


@pytest.mark.parametrize("payload", [b"", b"\0" * 70_000, b"[" * 50_000, b'{"air_temperature": NaN}', b"1e999", b"{}"])
def test_a_bad_payload_neither_stops_the_ingest_nor_vanishes(
    with_probes: Store, mosquitto: Mosquitto, payload: bytes
) -> None:
    address = address_of(mosquitto.url)
    with listening(with_probes, address) as intake, publisher(address) as client:
        publish(client, "probes/clock", payload)
        publish(client, "probes/plain", "20")
        wait_until(lambda: intake.refused >= 1 and intake.stored == 1)


@pytest.mark.parametrize("topic", ["probes/ü/°", "a//b", "/", "probes/ plain", "x" * 500, "emoji/🦎"])
def test_a_topic_with_odd_characters_is_kept_as_it_is(with_probes: Store, mosquitto: Mosquitto, topic: str) -> None:
    address = address_of(mosquitto.url)
    with listening(with_probes, address) as intake, publisher(address) as client:
        publish(client, topic, "1")
        wait_until(lambda: intake.refused == 1)
    with with_probes.read() as session:
        assert [source.topic for source in list_sources(session)] == [topic]


def test_the_same_message_with_its_own_time_is_stored_once(with_probes: Store, address: BrokerAddress) -> None:
    message = json.dumps({"air_temperature": 30, "relative_humidity": 50, "at": now_ms()})
    with listening(with_probes, address) as intake, publisher(address) as client:
        publish(client, "probes/clock", message)
        publish(client, "probes/clock", message)
        wait_until(lambda: intake.stored == 2 and intake.repeated == 2)
    assert len(stored(with_probes, CLOCK_TEMPERATURE)) == 1


def test_a_retained_message_without_a_time_is_no_fresh_reading(with_probes: Store, address: BrokerAddress) -> None:
    with publisher(address) as client:
        publish(client, "probes/plain", "19", retain=True)
        with listening(with_probes, address) as intake:
            wait_until(lambda: intake.refused == 1)
            publish(client, "probes/plain", "20")
            wait_until(lambda: intake.stored == 1)
    assert stored(with_probes, PLAIN).value.tolist() == [20.0]
    with with_probes.read() as session:
        assert "retained" in refused_messages(session)[0].reason


def test_a_device_clock_far_ahead_is_not_believed(with_probes: Store, address: BrokerAddress) -> None:
    ahead = now_ms() + 20 * MINUTE
    with listening(with_probes, address) as intake, publisher(address) as client:
        publish(client, "probes/clock", json.dumps({"air_temperature": 30, "relative_humidity": 50, "at": ahead}))
        wait_until(lambda: intake.stored == 2)
    reading = stored(with_probes, CLOCK_TEMPERATURE)
    assert abs(int(reading.at[0]) - now_ms()) < MINUTE
    assert reading.flags.tolist() == [Flag.ARRIVAL_CLOCK]
    with with_probes.read() as session:
        assert "20 min ahead" in refused_messages(session)[0].reason


def test_a_value_that_the_element_cannot_have_measured_is_stored_and_flagged(
    with_probes: Store, mosquitto: Mosquitto
) -> None:
    address = address_of(mosquitto.url)
    with listening(with_probes, address) as intake, publisher(address) as client:
        publish(client, "probes/plain", "900")
        wait_until(lambda: intake.stored == 1)
    assert stored(with_probes, PLAIN).flags.tolist() == [Flag.ARRIVAL_CLOCK | Flag.IMPOSSIBLE]


def test_a_late_reading_joins_its_time_and_is_flagged(with_probes: Store, mosquitto: Mosquitto) -> None:
    address, now = address_of(mosquitto.url), now_ms()
    with listening(with_probes, address) as intake, publisher(address) as client:
        for at in (now, now - 10 * MINUTE):
            publish(client, "probes/clock", json.dumps({"air_temperature": 30, "relative_humidity": 5, "at": at}))
        wait_until(lambda: intake.stored == 4)
    reading = stored(with_probes, CLOCK_TEMPERATURE)
    assert reading.at.tolist() == [now - 10 * MINUTE, now]
    assert reading.flags.tolist() == [Flag.DEVICE_CLOCK | Flag.LATE | Flag.DELAYED, Flag.DEVICE_CLOCK]


def test_a_backlog_without_times_is_laid_on_the_cadence_and_flagged(with_probes: Store, mosquitto: Mosquitto) -> None:
    address = address_of(mosquitto.url)
    with listening(with_probes, address) as intake, publisher(address) as client:
        publish(client, "probes/plain", "20")
        wait_until(lambda: intake.stored == 1)
    first = int(stored(with_probes, PLAIN).at[0])
    _move_back(with_probes, PLAIN, first - 10 * MINUTE)
    with publisher(address) as client:
        for value in range(5):
            publish(client, "probes/plain", str(21 + value))
    with listening(with_probes, address) as intake:
        wait_until(lambda: intake.stored == 5)
    reading = stored(with_probes, PLAIN)
    assert reading.value.tolist() == [20, 21, 22, 23, 24, 25]
    assert all(flags & Flag.APPROXIMATE for flags in reading.flags.tolist()[1:])
    assert [int(step) for step in reading.at[2:] - reading.at[1:-1]] == [MINUTE] * 4
    assert abs(int(reading.at[-1]) - now_ms()) < MINUTE


def _move_back(store: Store, channel: int, at_ms: int) -> None:
    """Let the channel's first reading have happened earlier, as if the outage had been long."""
    with store.write() as session:
        for table in ("reading", "channel_state"):
            statement = f"UPDATE {table} SET at_ms = {at_ms} WHERE channel_id = {channel}"  # noqa: S608 - names of our own
            session.connection().exec_driver_sql(statement)


def test_a_broker_that_restarts_is_found_again_and_loses_nothing(with_probes: Store, mosquitto: Mosquitto) -> None:
    address = address_of(mosquitto.url)
    with listening(with_probes, address) as intake:
        with publisher(address) as client:
            publish(client, "probes/plain", "20")
            wait_until(lambda: intake.stored == 1)
        mosquitto.stop()
        mosquitto.start()
        with publisher(address) as client:
            publish(client, "probes/clock", json.dumps({"air_temperature": 1, "relative_humidity": 2, "at": now_ms()}))
            wait_until(lambda: intake.stored == 3)


def test_the_embedded_broker_asks_for_the_password_it_was_given(
    program: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    port = free_port()
    broker = EmbeddedBroker(
        load_settings(
            data=tmp_path_factory.mktemp("locked"),
            broker_listen=f"127.0.0.1:{port}",
            broker_user="probes",
            broker_password='pa"ss\\wörd',  # noqa: S106 - of a broker that lives for this test
        )
    )
    broker.start()
    try:
        command = [program("mosquitto_pub"), "-p", str(port), "-t", "a", "-m", "1", "-q", "1"]
        assert subprocess.run(command, capture_output=True, timeout=20, check=False).returncode != 0
        signed_in = [*command, "-u", "probes", "-P", 'pa"ss\\wörd']
        assert subprocess.run(signed_in, capture_output=True, timeout=20, check=False).returncode == 0
    finally:
        broker.stop()


def test_an_embedded_broker_that_was_killed_is_started_again_and_found(with_probes: Store, settings: Settings) -> None:
    broker = EmbeddedBroker(settings)
    address = broker.start()
    try:
        with listening(with_probes, address) as intake:
            assert broker.revive() is False
            os.kill(_child_of(broker), signal.SIGKILL)
            wait_until(lambda: not broker.is_running())
            assert broker.revive() is True
            with publisher(address) as client:
                publish(client, "probes/plain", "20")
                # The first may come before the ingest has subscribed anew: sessions are in the broker's memory only.
                wait_until(lambda: _again(client) and intake.stored > 0)
    finally:
        broker.stop()


def _again(client: mqtt.Client) -> bool:
    publish(client, "probes/plain", "21")
    return True


def _child_of(broker: EmbeddedBroker) -> int:
    children = Path(f"/proc/self/task/{os.getpid()}/children").read_text(encoding="utf-8").split()
    of_broker = [pid for pid in children if b"iotcore" in Path(f"/proc/{pid}/cmdline").read_bytes()]
    return int(of_broker[-1])
