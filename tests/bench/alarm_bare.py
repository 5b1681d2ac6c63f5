"""The bare limit of an alarm's way: one loop with one `if` between the broker and an open connection."""

import select
import socket
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import orjson
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from sensors.simulator import Scene
from service.ingest.broker_address import BrokerAddress
from tests.bench.bare_table import INSERT, open_bare
from tests.bench.brokers import subscribe_to_all

CONDITION = "basking-overheat"
HOT = 60.0
"""Hotter than any species' limit. [°C]"""
_ON_DELAY_MS = 60_000


class _BareWatch:
    """Commits readings, commits alarms, and writes these to whoever listens."""

    def __init__(self, folder: Path, scene: Scene) -> None:
        self._database = open_bare(folder / "bare.db")
        self._database.execute("CREATE TABLE alarm (id INTEGER PRIMARY KEY, enclosure TEXT, at_ms INTEGER)")
        self._ids = {probe.topic: 2 * number for number, probe in enumerate(scene.probes)}
        self._enclosures = {probe.topic: probe.channels[0].enclosure for probe in scene.probes}
        self._hot_since: dict[str, int] = {}
        self._raised: set[str] = set()
        self.listener: socket.socket | None = None

    def heard(self, client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        said, topic = orjson.loads(message.payload), message.topic
        at_ms, number = said.pop("at"), self._ids[topic]
        self._database.execute("BEGIN IMMEDIATE")
        self._database.executemany(INSERT, [(number + i, at_ms, value, 1) for i, value in enumerate(said.values())])
        self._database.execute("COMMIT")
        client.ack(message.mid, message.qos)
        if said.get("spot", 0.0) < HOT:
            self._hot_since.pop(topic, None)
        elif at_ms - self._hot_since.setdefault(topic, at_ms) >= _ON_DELAY_MS and topic not in self._raised:
            self._raise(topic, at_ms)

    def _raise(self, topic: str, at_ms: int) -> None:
        self._raised.add(topic)
        enclosure = self._enclosures[topic]
        self._database.execute("INSERT INTO alarm (enclosure, at_ms) VALUES (?, ?)", (enclosure, at_ms))
        if self.listener is not None:
            event = orjson.dumps({"condition": CONDITION, "enclosure": enclosure, "at_ms": at_ms})
            self.listener.sendall(b"event: alarm\ndata: %s\n\n" % event)


def serve_bare(pipe: Connection, broker: BrokerAddress, folder: Path, scene: Scene) -> None:
    """Watch until told to stop; reports the address of its stream, and takes one listener."""
    watch = _BareWatch(folder, scene)
    door = socket.create_server(("127.0.0.1", 0))
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bare-watch", manual_ack=True)
    client.on_message = watch.heard
    client.on_connect = subscribe_to_all
    client.connect(broker.host, broker.port)
    messages: Any = client.socket()
    pipe.send(f"http://127.0.0.1:{door.getsockname()[1]}/")
    while not pipe.poll():
        ready = select.select([messages, door], [], [], 0.25)[0]
        if door in ready:
            watch.listener = _let_in(door)
        if messages in ready:
            client.loop_read()
        client.loop_misc()
        if client.want_write():
            client.loop_write()
    client.disconnect()


def _let_in(door: socket.socket) -> socket.socket:
    """Answer a request with a stream that stays open."""
    listener, _address = door.accept()
    listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    while b"\r\n\r\n" not in listener.recv(65_536):
        continue
    listener.sendall(b"HTTP/1.1 200 OK\r\nContent-Type: text/event-stream\r\nConnection: close\r\n\r\n")
    return listener
