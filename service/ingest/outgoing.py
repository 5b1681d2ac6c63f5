"""What is said on the broker: messages wait here until the ear, which has the connection, sends them.

One connection serves both ways: where a broker takes the user name for the client identifier, a second one of the same
user would throw the first out.
"""

import threading
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Message:
    """A message to publish at QoS 1; an empty retained one takes back what the broker keeps on its topic."""

    topic: str
    payload: bytes
    retain: bool


class Outgoing:
    """Messages that wait, and what the broker still keeps of ours; used by several threads.

    Parameters
    ----------
    prefix : str
        Every topic of ours begins so, and ends with a slash.
    """

    def __init__(self, prefix: str) -> None:
        self.prefix = prefix
        self._lock = threading.Lock()
        self._waiting: list[Message] = []
        self._kept: set[str] = set()
        self._connections = 0

    @property
    def connections(self) -> int:
        """How often the broker was joined: after each time all has to be said again."""
        return self._connections

    def joined(self) -> None:
        """Note that the broker was joined; what waited is said anew by whoever put it here."""
        with self._lock:
            self._waiting, self._kept = [], set()
            self._connections += 1

    def heard(self, topic: str, payload: bytes) -> None:
        """Note that the broker keeps a message of ours."""
        if topic.startswith(self.prefix) and payload:
            with self._lock:
                self._kept.add(topic)

    def kept(self) -> frozenset[str]:
        """Return the topics on which the broker kept messages of ours when it was joined."""
        with self._lock:
            return frozenset(self._kept)

    def put(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Let a message be sent soon."""
        with self._lock:
            self._waiting.append(Message(topic, payload, retain))

    def take(self) -> list[Message]:
        """Return what waits, and let it go."""
        with self._lock:
            taken, self._waiting = self._waiting, []
        return taken
