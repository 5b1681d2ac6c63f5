"""Live probes: a simulated room that speaks over real MQTT, at the pace of the clock or faster."""

import time
from dataclasses import dataclass
from threading import Event

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from sensors.simulator.room import Message, SimulatedRoom, messages_of

_AHEAD_MS = 60_000  # How far the room is run before its messages are due.
_LONGEST_WAIT = 0.5  # [s]
_FLUSH = 5.0  # How long stopping waits for the broker's last acknowledgements. [s]


class LiveBrokerError(ConnectionError):
    """The broker cannot be reached, or refuses the probes."""


@dataclass(frozen=True, slots=True)
class BrokerAccess:
    """Where the probes publish, and as whom.

    Attributes
    ----------
    host : str
    port : int
    username, password : str or None
    client_id : str
    """

    host: str = "127.0.0.1"
    port: int = 1883
    username: str | None = None
    password: str | None = None
    client_id: str = "simulated-room"


class _Outbox:
    """One client for all probes: publishes, reconnects, and knows what the broker has acknowledged."""

    def __init__(self, access: BrokerAccess) -> None:
        self._access = access
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=access.client_id)
        self._client.reconnect_delay_set(1, 30)
        self._client.max_inflight_messages_set(100)
        if access.username is not None:
            self._client.username_pw_set(access.username, access.password)
        self._answered = Event()
        self._refused = ""
        self.published = 0
        self._acknowledged = 0
        self._client.on_connect = self._on_connect
        self._client.on_publish = self._on_publish

    def _on_connect(
        self, _client: mqtt.Client, _data: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        self._refused = str(reason) if reason.is_failure else ""
        self._answered.set()

    def _on_publish(self, _client: mqtt.Client, _data: object, _mid: int, _reason: object, _properties: object) -> None:
        self._acknowledged += 1

    def open(self) -> None:
        """Connect, or raise LiveBrokerError."""
        where = f"{self._access.host}:{self._access.port}"
        try:
            self._client.connect(self._access.host, self._access.port)
        except OSError as exc:
            raise LiveBrokerError(f"no broker at {where} ({exc}): start one, or give its address") from exc
        self._client.loop_start()
        if not self._answered.wait(_FLUSH) or self._refused:
            self._client.loop_stop()
            why = self._refused or "no answer"
            raise LiveBrokerError(f"the broker at {where} did not let the probes in: {why}")

    def send(self, message: Message) -> None:
        """Publish at QoS 1; without a connection the message waits for one."""
        self._client.publish(message.probe.topic, message.payload, qos=1)
        self.published += 1

    def close(self) -> None:
        """Wait for the last acknowledgements, then leave in order."""
        deadline = time.monotonic() + _FLUSH
        while self._acknowledged < self.published and self._client.is_connected() and time.monotonic() < deadline:
            time.sleep(0.02)
        self._client.disconnect()
        self._client.loop_stop()


class _Clock:
    """The room's time: the wall clock itself, or a faster one that starts where the room stands."""

    def __init__(self, room_ms: int, speed: float) -> None:
        self._speed = speed
        self._wall = time.time()
        self._room_ms = room_ms

    def now_ms(self) -> int:
        if self._speed == 1.0:
            return int(time.time() * 1000)
        return int(self._room_ms + (time.time() - self._wall) * 1000 * self._speed)

    def wait_for(self, at_ms: int, stop: Event) -> None:
        stop.wait(min(_LONGEST_WAIT, max(0.0, (at_ms - self.now_ms()) / 1000.0 / self._speed)))


def _still_true(messages: list[Message], now_ms: int) -> list[Message]:
    """Leave out what a probe without a clock would have sent before now, except its newest message.

    Such a message would be taken for a reading of its arrival; a probe with a clock may send what it kept.
    """
    newest = {message.probe.id: message.at_ms for message in messages if message.at_ms <= now_ms}
    return [
        message
        for message in messages
        if message.probe.time_pointer is not None or message.at_ms > now_ms or message.at_ms == newest[message.probe.id]
    ]


def publish_live(room: SimulatedRoom, access: BrokerAccess, stop: Event, speed: float = 1.0) -> int:
    """Publish what the room's probes send, from where the room stands, until told to stop.

    Parameters
    ----------
    room : SimulatedRoom
        Already run once, so that live readings follow its history without a jump.
    access : BrokerAccess
    stop : threading.Event
        Set it from another thread; this returns within a second, or after the last acknowledgements.
    speed : float
        1 keeps to the wall clock. A faster room runs into the future: its device times will be ahead of others' clocks.

    Returns
    -------
    int
        How many messages were published, QoS 1.

    Raises
    ------
    LiveBrokerError
        If the broker cannot be reached at the start; later it is reconnected to, and messages wait.
    ValueError
        If the room has not been run yet.
    """
    if room.now_ms is None:
        raise ValueError("the room has no time yet: run its history first")
    outbox = _Outbox(access)
    outbox.open()
    clock = _Clock(room.now_ms, speed)
    waiting: list[Message] = []
    late_ms = clock.now_ms()
    try:
        while not stop.is_set():
            waiting = _refill(room, waiting, clock.now_ms(), late_ms)
            now_ms = clock.now_ms()
            due = [message for message in waiting if message.at_ms <= now_ms]
            for message in due:
                outbox.send(message)
            waiting = waiting[len(due) :]
            clock.wait_for(waiting[0].at_ms if waiting else now_ms + _AHEAD_MS, stop)
    finally:
        outbox.close()
    return outbox.published


def _refill(room: SimulatedRoom, waiting: list[Message], now_ms: int, late_ms: int) -> list[Message]:
    """Run the room ahead of the clock when its messages run short."""
    stands = room.now_ms or 0
    if stands > now_ms + _AHEAD_MS // 2:
        return waiting
    _, sent = room.advance(now_ms + _AHEAD_MS)
    fresh = messages_of(sent)
    if stands < late_ms:
        fresh = _still_true(fresh, late_ms)
    return sorted([*waiting, *fresh], key=lambda message: message.at_ms)
