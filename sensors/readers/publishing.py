"""The link to the broker: QoS 1, a session that lasts, one sweep after the other."""

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from sensors.readers.spool import Batch, Spool

KEEP_ALIVE_S: Final = 30
"""A broker that is silent for one and a half times this is away. [s]"""
LONGEST_RETRY_S: Final = 60
_ANSWER_S: Final = 0.05


@dataclass(frozen=True, slots=True)
class BrokerLink:
    """Where to publish, and as whom.

    Attributes
    ----------
    host : str
    port : int
    tls : bool
        By the certificates that this computer trusts.
    user, password : str or None
    client_id : str
        Of the session: no two readers of one broker may share it.
    """

    host: str
    port: int
    tls: bool = False
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    client_id: str = "wardian-probes"

    def __str__(self) -> str:
        """Name the broker without its password."""
        return f"{'mqtts' if self.tls else 'mqtt'}://{self.host}:{self.port}"


class Publisher:
    """Publishes the sweeps of a spool in order; a sweep is forgotten when the broker has acknowledged all of it.

    Parameters
    ----------
    link : BrokerLink
    spool : Spool
        Used from the caller's thread alone.
    tell : callable
        Called from the network thread with ``connected``, or with why it is not.
    """

    def __init__(self, link: BrokerLink, spool: Spool, tell: Callable[[str], None] = lambda _: None) -> None:
        self._link, self._spool, self._tell = link, spool, tell
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=link.client_id, clean_session=False, protocol=mqtt.MQTTv311
        )
        if link.user is not None:
            self._client.username_pw_set(link.user, link.password)
        if link.tls:
            self._client.tls_set()
        self._client.reconnect_delay_set(1, LONGEST_RETRY_S)
        # What the network thread hands over. No lock is shared with it: the library calls it while it holds one of its
        # own, which publishing needs too.
        self._arrived: deque[int] = deque()
        self._unanswered: set[int] = set()
        self._answered = threading.Event()
        self._sent: Batch | None = None
        self._said = ""
        self._client.on_connect = self._on_connect
        self._client.on_connect_fail = lambda *_: self._say("no answer")
        self._client.on_disconnect = self._on_disconnect
        self._client.on_publish = self._on_publish

    @property
    def connected(self) -> bool:
        """Whether the broker answers."""
        return self._client.is_connected()

    def start(self) -> None:
        """Begin to look for the broker; it need not be there yet."""
        # paho tries again by itself, but only after a first attempt that it was told to make in the background.
        self._client.connect_async(self._link.host, self._link.port, KEEP_ALIVE_S)
        self._client.loop_start()

    def step(self) -> bool:
        """Publish the next sweep, or note that the last one has arrived; say whether there may be more to do."""
        while self._arrived:
            self._unanswered.discard(self._arrived.popleft())
        if self._sent is not None:
            if self._unanswered:
                return False
            self._spool.done(self._sent)
            self._sent = None
        batch = self._spool.first()
        if batch is None or not self.connected:
            return False
        self._sent = batch
        for message in batch.messages:
            self._unanswered.add(self._client.publish(message.topic, message.payload, qos=1).mid)
        return True

    def flush(self, seconds: float) -> bool:
        """Publish what waits, for so long at most [s]; say whether all of it has arrived."""
        deadline = time.monotonic() + seconds
        while True:
            while self.step():
                pass
            left = deadline - time.monotonic()
            if not len(self._spool) or left <= 0:
                return not len(self._spool)
            if self._sent is not None:
                self._answered.wait(min(left, _ANSWER_S))
                self._answered.clear()
            else:
                time.sleep(min(left, _ANSWER_S))

    def stop(self) -> None:
        """Leave in order; what has not arrived stays in the spool."""
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(
        self, _client: mqtt.Client, _data: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        self._say(f"refused: {reason}" if reason.is_failure else "connected")

    def _on_disconnect(
        self, _client: mqtt.Client, _data: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        self._say(f"away: {reason}")

    def _say(self, what: str) -> None:
        """Tell what is new of the broker, once: it is asked again and again while it is away."""
        if what != self._said:
            self._said = what
            self._tell(what)

    def _on_publish(self, _client: mqtt.Client, _data: object, mid: int, _reason: object, _properties: object) -> None:
        self._arrived.append(mid)
        self._answered.set()
