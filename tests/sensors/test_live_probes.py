"""Live probes over a real broker on loopback."""

import socket
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager

import paho.mqtt.client as mqtt
import pytest
from conftest import DAY_MS, GLASS, HOUR_MS, START_MS, a_scene, named
from iotcore import Broker
from paho.mqtt.enums import CallbackAPIVersion

from sensors.payloads import decoder_for
from sensors.simulator import Channel, Probe, Scene, SimulatedRoom, mapping_of
from sensors.simulator.live import BrokerAccess, LiveBrokerError, publish_live

CLIMATE = (
    Channel("air_temperature", "glass", "ambient", "/temperature"),
    Channel("relative_humidity", "glass", "ambient", "/humidity"),
)
PROBES = (
    Probe("timed", "sht31", "probes/timed", CLIMATE, every=10.0, time_pointer="/at"),
    Probe("cool", "ds18b20", "probes/cool", (Channel("air_temperature", "glass", "cool-end"),), "scalar", every=10.0),
)
SCENE = a_scene((named("glass", GLASS),), probes=PROBES)


def free_port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return listener.getsockname()[1]


@pytest.fixture(scope="module")
def access() -> Iterator[BrokerAccess]:
    with Broker(port=free_port(), listen="127.0.0.1") as broker:
        yield BrokerAccess(port=broker.port)


@contextmanager
def listening(access: BrokerAccess) -> Iterator[list[mqtt.MQTTMessage]]:
    heard: list[mqtt.MQTTMessage] = []
    subscribed = threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="listener")
    client.on_message = lambda _client, _data, message: heard.append(message)
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect(access.host, access.port)
    client.loop_start()
    client.subscribe("probes/#", qos=1)
    assert subscribed.wait(5)
    try:
        yield heard
    finally:
        client.disconnect()
        client.loop_stop()


def wait_until(count: int, heard: list[mqtt.MQTTMessage]) -> None:
    deadline = time.monotonic() + 10
    while len(heard) < count and time.monotonic() < deadline:
        time.sleep(0.02)


def a_room(scene: Scene, now_ms: int) -> SimulatedRoom:
    room = SimulatedRoom(scene, 1)
    for _ in room.history(now_ms - HOUR_MS, now_ms):
        pass
    return room


def test_a_faster_room_publishes_its_probes_own_messages_in_order(access: BrokerAccess) -> None:
    room, stop = a_room(SCENE, START_MS + DAY_MS), threading.Event()
    began_ms = room.now_ms
    with listening(access) as heard, ThreadPoolExecutor(1) as worker:
        running = worker.submit(publish_live, room, access, stop, speed=120.0)
        wait_until(20, heard)
        stop.set()
        published = running.result(timeout=10)
        wait_until(published, heard)
    assert len(heard) == published >= 20
    assert {message.qos for message in heard} == {1}
    assert not any(message.retain for message in heard)
    decode = {probe.topic: decoder_for(mapping_of(probe)) for probe in PROBES}
    decoded = [(message.topic, decode[message.topic](message.payload)) for message in heard]
    times = [found.measurements[0].at_ms for topic, found in decoded if topic == "probes/timed"]
    assert times == sorted(times)
    assert times[0] - began_ms <= 11_000  # no gap after history


def test_at_the_pace_of_the_clock_only_probes_with_a_clock_tell_what_is_past(access: BrokerAccess) -> None:
    now_ms = int(time.time() * 1000)
    room, stop = a_room(SCENE, now_ms - 150_000), threading.Event()  # at least 135 s are past: the room stops on a step
    with listening(access) as heard, ThreadPoolExecutor(1) as worker:
        running = worker.submit(publish_live, room, access, stop)
        wait_until(14, heard)
        stop.set()
        published = running.result(timeout=10)
        wait_until(published, heard)
    topics = [message.topic for message in heard]
    assert topics.count("probes/timed") >= 13
    assert 1 <= topics.count("probes/cool") <= 3


def test_without_a_broker_it_says_where_it_looked() -> None:
    port = free_port()
    with pytest.raises(LiveBrokerError, match=f"no broker at 127.0.0.1:{port}"):
        publish_live(a_room(SCENE, START_MS), BrokerAccess(port=port), threading.Event())


def test_a_room_that_was_never_run_is_refused(access: BrokerAccess) -> None:
    with pytest.raises(ValueError, match="run its history first"):
        publish_live(SimulatedRoom(SCENE, 1), access, threading.Event())


def test_a_broker_that_comes_back_hears_the_probes_again() -> None:
    access = BrokerAccess(port=free_port())
    room, stop = a_room(SCENE, START_MS + DAY_MS), threading.Event()
    first = Broker(port=access.port, listen="127.0.0.1").start()
    with ThreadPoolExecutor(1) as worker:
        running = worker.submit(publish_live, room, access, stop, speed=120.0)
        with listening(access) as heard:
            wait_until(5, heard)
        first.stop()
        with Broker(port=access.port, listen="127.0.0.1"), listening(access) as again:
            wait_until(5, again)
            stop.set()
            published = running.result(timeout=15)
    assert len(heard) >= 5
    assert len(again) >= 5
    assert published >= 10
