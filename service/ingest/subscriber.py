"""The ear: one thread takes what the broker has, stores it, and only then acknowledges it.

The only module that imports the MQTT client library; its types and errors stop here.
"""

import random
import select
import socket
import ssl
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode

from service.errors import StoreUnusable
from service.ingest.arrivals import Arrival
from service.ingest.broker_address import BrokerAddress
from service.ingest.intake import Backlog, TakeBatch
from service.ingest.outgoing import Outgoing
from service.ingest.receipts import ByIdentifier, ByOrder
from service.store.intake import ReceiptEntry

log = structlog.get_logger("ingest")

_LARGEST_BATCH = 2_000
_KEEP_ALIVE_S = 30
_LINGER_S = 0.001
_QUIET_S = 0.25
_LONGEST_BACKLOG_S = 600.0
_DRAINED_AFTER_S = 3.0
_FIRST_WAIT_S, _LONGEST_WAIT_S = 0.5, 30.0


@dataclass(frozen=True, slots=True)
class Listening:
    """What a session subscribes to, and what it must not have from an earlier life.

    Attributes
    ----------
    to : str or None
        A topic filter; None when it only takes what was kept for it.
    not_to : tuple of str
        Topic filters.
    """

    to: str | None = "#"
    not_to: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Connection:
    """How the connection to the broker stands."""

    connected: bool
    said: str


class Subscriber:
    """Listens to a broker with a session that survives us.

    Parameters
    ----------
    address : BrokerAddress
    mqtt_session : str
        The client identifier: the same after a restart, and no one else's.
    take : callable
        Stores a batch, or raises StoreUnusable with nothing stored.
    receipts : callable
        Returns what was noted of this session's messages, the oldest first.
    committed : callable
        Told after each commit.
    now_ms : callable
        The time. [ms since 1970, UTC]
    listening : Listening
    outgoing : Outgoing, optional
        What is to be said on the broker.
    """

    def __init__(
        self,
        address: BrokerAddress,
        mqtt_session: str,
        take: TakeBatch,
        *,
        receipts: Callable[[str], list[ReceiptEntry]],
        committed: Callable[[], None],
        now_ms: Callable[[], int],
        listening: Listening = Listening(),
        outgoing: Outgoing | None = None,
    ) -> None:
        self._address, self._session, self._listening = address, mqtt_session, listening
        self._outgoing = outgoing
        self._take, self._receipts, self._committed, self._now_ms = take, receipts, committed, now_ms
        self._client = self._make_client()
        self._batch: list[Arrival] = []
        self._book: ByIdentifier | ByOrder | None = None
        self._resumed_ms: int | None = None
        self._quiet_since = 0.0
        self._retry_at = 0.0
        self._retry_wait = 0.0
        self._leaving = False
        self.store_said: str | None = None
        self.commit_s = self.lag_s = 0.0
        self.connection = Connection(connected=False, said=f"not connected to {address} yet")

    def _make_client(self, *, clean: bool = False) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._session,
            clean_session=clean,
            protocol=mqtt.MQTTv311,
            manual_ack=True,
            reconnect_on_failure=False,
        )
        if self._address.user is not None:
            client.username_pw_set(self._address.user, self._address.password)
        if self._address.tls:
            client.tls_set_context(ssl.create_default_context())
        client.connect_timeout = 5.0
        client.on_connect, client.on_subscribe = self._connected, self._subscribed
        client.on_message, client.on_disconnect = self._heard, self._disconnected
        return client

    @property
    def waiting(self) -> int:
        """How many messages are taken and not stored yet."""
        return len(self._batch)

    # What the library calls, in our own thread. An exception would end the loop: they only note.

    def _connected(
        self, client: mqtt.Client, _userdata: object, flags: mqtt.ConnectFlags, reason: ReasonCode, _properties: object
    ) -> None:
        if reason.is_failure:
            self.connection = Connection(connected=False, said=f"{self._address} refuses us: {reason}")
            return
        for topic in self._listening.not_to if flags.session_present else ():
            client.unsubscribe(topic)
        if self._listening.to is None:
            self.connection = Connection(connected=True, said=f"leaving {self._address}")
        else:
            client.subscribe(self._listening.to, qos=1)
        if self._outgoing is not None:
            self._outgoing.joined()
            if self._listening.to != "#":
                client.subscribe(f"{self._outgoing.prefix}#", qos=0)
        self._resumed_ms = self._now_ms() if flags.session_present else None
        self._book, self._quiet_since = None, time.monotonic()
        if flags.session_present:
            stored = self._receipts(self._session)
            self._book = ByOrder(stored, self._address.window) if self._address.renumbers else ByIdentifier(stored)
        log.info("broker_connected", broker=str(self._address), resumed=flags.session_present)

    def _subscribed(
        self, _client: mqtt.Client, _userdata: object, _mid: int, reasons: Sequence[ReasonCode], _properties: object
    ) -> None:
        # Only now does the broker keep messages for us.
        if any(reason.is_failure for reason in reasons):
            said = f"{self._address} does not let us listen to {self._listening.to}"
            self.connection = Connection(connected=False, said=said)
        else:
            self.connection = Connection(connected=True, said=f"connected to {self._address}")

    def _heard(self, _client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = bytes(message._topic).decode("utf-8", "replace")  # noqa: SLF001 - the library offers no raw topic
        if message.retain and self._outgoing is not None:
            self._outgoing.heard(topic, bytes(message.payload))
        self._batch.append(
            Arrival(
                topic, bytes(message.payload), message.mid, message.qos, message.dup, message.retain, self._now_ms()
            )
        )

    def _disconnected(
        self, _client: mqtt.Client, _userdata: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        if self.connection.connected and not self._leaving:
            log.warning("broker_lost", broker=str(self._address), reason=str(reason))
        if self.connection.connected:
            self.connection = Connection(connected=False, said=f"lost {self._address}: {reason}")

    # Our own loop.

    def run(self, stop: threading.Event) -> None:
        """Listen until told to stop; broken connections are made anew, waiting longer each time."""
        wait = _FIRST_WAIT_S
        while not stop.is_set():
            if self._open():
                if self._listen(stop):
                    wait = _FIRST_WAIT_S
                self._batch.clear()
            if not stop.is_set():
                # Jitter, so that many workers do not come back in the same instant.
                stop.wait(wait * random.uniform(0.7, 1.3))  # noqa: S311 - no secret
                wait = min(wait * 2, _LONGEST_WAIT_S)
        self._leaving = True
        self._client.disconnect()

    def drain(self, stop: threading.Event) -> None:
        """Take what the broker has kept for this session, then end the session for good."""
        quiet = threading.Event()
        ear = threading.Thread(target=self.run, args=(quiet,), name="draining", daemon=True)
        ear.start()
        heard_at = time.monotonic()
        while not stop.wait(_QUIET_S) and time.monotonic() - heard_at < _DRAINED_AFTER_S:
            if self._batch or self._quiet_since > heard_at or not self.connection.connected:
                heard_at = time.monotonic()
        quiet.set()
        ear.join()
        if not stop.is_set():
            self._end_session()

    def _end_session(self) -> None:
        """Let the broker forget the session: a clean one of the same name takes its place."""
        client, answered = self._make_client(clean=True), threading.Event()
        client.on_connect = lambda *_: answered.set()
        client.connect(self._address.host, self._address.port)
        client.loop_start()
        answered.wait(_DRAINED_AFTER_S)
        client.disconnect()
        client.loop_stop()

    def _open(self) -> bool:
        try:
            self._client.connect(self._address.host, self._address.port, keepalive=_KEEP_ALIVE_S)
        except (OSError, ValueError) as exc:
            self.connection = Connection(connected=False, said=f"{self._address} does not answer ({exc})")
            log.warning("broker_unreachable", broker=str(self._address), reason=str(exc))
            return False
        return True

    def _listen(self, stop: threading.Event) -> bool:
        """Take messages until the connection ends; say whether it ever stood."""
        stood = False
        while not stop.is_set():
            channel: Any = self._client.socket()
            if channel is None or self._client.loop_misc() != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return stood
            if self._readable(channel):
                if self._read() != MQTTErrorCode.MQTT_ERR_SUCCESS:
                    return stood
                if len(self._batch) < _LARGEST_BATCH:
                    continue
            stood = stood or self.connection.connected
            self._flush()
            self._speak()
            if self._client.want_write() and self._client.loop_write() != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return stood
        self._flush()
        return stood

    def _speak(self) -> None:
        """Send what waits to be said."""
        if self._outgoing is not None and self.connection.connected:
            for message in self._outgoing.take():
                self._client.publish(message.topic, message.payload, qos=1, retain=message.retain)

    def _readable(self, channel: socket.socket | ssl.SSLSocket) -> bool:
        """Wait for the broker: a moment while a batch is open, else until it speaks."""
        if isinstance(channel, ssl.SSLSocket) and channel.pending():
            return True
        patience = _LINGER_S if self._batch and time.monotonic() >= self._retry_at else _QUIET_S
        return bool(select.select([channel], [], [], patience)[0])

    def _read(self) -> MQTTErrorCode:
        """Take messages while the socket has some: one wait for many messages."""
        while True:
            before = len(self._batch)
            code = self._client.loop_read()
            if code != MQTTErrorCode.MQTT_ERR_SUCCESS or len(self._batch) == before or before >= _LARGEST_BATCH:
                return code

    def _flush(self) -> None:
        """Store the batch and acknowledge it; when the database cannot be written, keep it and try again later."""
        now = time.monotonic()
        if not self._batch or now < self._retry_at:
            self._end_backlog(now)
            return
        self._drop_repeated()
        arrived_ms = self._batch[0].at_ms if self._batch else self._now_ms()
        try:
            if self._batch:
                self._take(self._batch, self._session, self._backlog())
        except StoreUnusable as exc:
            # Not acknowledged: the broker keeps it too. The window bounds what waits here.
            self._retry_wait = min(max(self._retry_wait * 2, 0.5), 10.0)
            self._retry_at, self.store_said = now + self._retry_wait, str(exc)
            log.warning("readings_not_stored", reason=str(exc), waiting=len(self._batch))
            return
        self._retry_wait, self.store_said, self._quiet_since = 0.0, None, now
        self.commit_s, self.lag_s = time.monotonic() - now, (self._now_ms() - arrived_ms) / 1000
        self._acknowledge(self._batch)
        self._batch = []
        self._committed()

    def _drop_repeated(self) -> None:
        """Acknowledge what a resumed session brings again though it is stored; what is left is new."""
        if self._book is None:
            return
        repeated = self._book.repeated(self._batch)
        self._acknowledge([arrival for arrival, again in zip(self._batch, repeated, strict=True) if again])
        self._batch = [arrival for arrival, again in zip(self._batch, repeated, strict=True) if not again]

    def _acknowledge(self, arrivals: Sequence[Arrival]) -> None:
        for arrival in arrivals:
            if arrival.qos:
                self._client.ack(arrival.packet, arrival.qos)

    def _backlog(self) -> Backlog | None:
        if self._resumed_ms is None:
            return None
        return Backlog(self._resumed_ms, more=len(self._batch) >= min(self._address.window, _LARGEST_BATCH))

    def _end_backlog(self, now: float) -> None:
        """End the backlog at the first quiet moment after a resume: from here on, what comes is fresh."""
        if self._resumed_ms is None or self._batch:
            return
        if now - self._quiet_since > _QUIET_S:
            self._resumed_ms, self._book = None, None
