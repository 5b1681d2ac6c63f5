"""What comes in: one message as the broker gave it."""

from dataclasses import dataclass
from hashlib import blake2b


@dataclass(frozen=True, slots=True)
class Arrival:
    """One MQTT message.

    Attributes
    ----------
    topic : str
    payload : bytes
    packet : int
        The broker's packet identifier; 0 at QoS 0.
    qos : int
    duplicate : bool
        The broker says that it may have sent it before.
    retained : bool
        The broker kept it for new subscribers: it may be of any age.
    at_ms : int
        When it arrived. [ms since 1970, UTC]
    """

    topic: str
    payload: bytes
    packet: int
    qos: int
    duplicate: bool
    retained: bool
    at_ms: int


def digest_of(arrival: Arrival) -> int:
    """Return 64 bits that tell a message from another by its topic and payload."""
    state = blake2b(arrival.topic.encode("utf-8", "surrogatepass"), digest_size=8)
    state.update(b"\0")
    state.update(arrival.payload)
    return int.from_bytes(state.digest(), "little")
