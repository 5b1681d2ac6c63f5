"""The bare limit of the ingest: the client library, a JSON parser and SQLite in one loop, with no framework.

It commits before it acknowledges, as ours does, and stores each reading once by its primary key. It checks nothing,
keeps no newest values, no receipts and no refused messages, and knows no room but a dictionary of topics.
"""

import select
import sqlite3
import time
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import orjson
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

from service.ingest.broker_address import BrokerAddress
from tests.bench.bare_table import INSERT, open_bare
from tests.bench.brokers import SESSION
from tests.bench.ingest_report import IngestReport, Mark, marked

Topics = dict[str, tuple[int, str, int, str]]
"""By topic: the first channel's id and its member of the message, and the second's."""


class BareListener:
    """One loop that takes, stores and acknowledges."""

    def __init__(self, address: BrokerAddress, database: sqlite3.Connection, topics: Topics) -> None:
        self._database, self._topics = database, topics
        self._rows: list[tuple[int, int, float, int]] = []
        self._unacknowledged: list[int] = []
        self._last: dict[int, int] = {}
        self.stored = 0
        self.marks: list[Mark] = []
        self.subscribed = False
        # Mosquitto sends up to two windows once acknowledgements come in bursts, and larger commits cost less.
        self._full = address.window if address.renumbers else 2 * address.window
        self._client = client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=SESSION, clean_session=False, manual_ack=True
        )
        client.on_message, client.on_connect, client.on_subscribe = self._heard, self._on_connect, self._on_subscribe
        client.connect(address.host, address.port)
        self._socket: Any = client.socket()

    def _on_connect(self, client: mqtt.Client, _data: object, flags: mqtt.ConnectFlags, *_: object) -> None:
        # A session that was resumed has its subscription; its messages come before any answer to a new one.
        self.subscribed = flags.session_present
        if not flags.session_present:
            client.subscribe("#", qos=1)

    def _on_subscribe(self, *_: object) -> None:
        self.subscribed = True

    def _heard(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        now = time.time()
        first, first_name, second, second_name = self._topics[message.topic]
        said = orjson.loads(message.payload)
        at_ms, flags = said.get("at"), 1
        if at_ms is None:
            at_ms, flags = max(int(now * 1000), self._last.get(first, 0) + 1), 2
            self._last[first] = at_ms
        self._rows.append((first, at_ms, said[first_name], flags))
        self._rows.append((second, at_ms, said[second_name], flags))
        self._unacknowledged.append(message.mid)

    def run(self, readings: int) -> None:
        """Listen until so many readings are stored and acknowledged."""
        client = self._client
        while self.stored < readings:
            client.loop_misc()
            patience = 0.001 if self._unacknowledged else 0.25
            if select.select([self._socket], [], [], patience)[0]:
                self._read()
                if len(self._unacknowledged) < self._full:
                    continue
            if self._unacknowledged:
                self._flush()
            if client.want_write():
                client.loop_write()
        client.disconnect()

    def wait_until_subscribed(self) -> None:
        """Let the broker answer; what it sends meanwhile is kept."""
        while not self.subscribed:
            self._client.loop_write()  # what was asked for within a callback waits to be written
            select.select([self._socket], [], [], 0.25)
            if (code := self._client.loop_read()) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                raise ConnectionError(f"the broker closed the bare listener's connection: {mqtt.error_string(code)}")

    def _read(self) -> None:
        """Take messages while the socket has some and the batch is not full."""
        taken = -1
        while taken < len(self._unacknowledged) < self._full:
            taken = len(self._unacknowledged)
            self._client.loop_read()

    def _flush(self) -> None:
        self._database.execute("BEGIN IMMEDIATE")
        self.stored += self._database.executemany(INSERT, self._rows).rowcount
        self._database.execute("COMMIT")
        for packet in self._unacknowledged:
            self._client.ack(packet, 1)
        self._rows, self._unacknowledged = [], []
        self.marks.append(marked(self.stored))


def take_stream_bare(pipe: Connection, address: BrokerAddress, folder: Path, readings: int, topics: Topics) -> None:
    """Listen with bare parts until so many readings are stored and acknowledged; report how that went."""
    database = open_bare(folder / "bare.db")
    listener = BareListener(address, database, topics)
    listener.wait_until_subscribed()
    pipe.send("connected")
    listener.run(readings)
    pipe.send(IngestReport(listener.stored, listener.marks[0], listener.marks[-1], len(listener.marks) - 1))
    database.close()
