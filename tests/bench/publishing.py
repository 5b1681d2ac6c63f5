"""A publisher that is never the limit: packets made beforehand, written to a bare socket, acknowledgements counted."""

import random
import socket
import struct
import time
from collections.abc import Iterator, Sequence
from multiprocessing.connection import Connection

from sensors.simulator import Probe, Scene, payload_of
from service.ingest.broker_address import BrokerAddress
from tests.bench.workers import said_once

_WINDOW = 2_000
"""Messages that are sent ahead of the broker's acknowledgements."""
_AT_ONCE = 200
_KEEP_ALIVE_S = 600
_USUAL = {"air_temperature": 24.0, "surface_temperature": 33.0, "relative_humidity": 70.0}
_NOISE = {"air_temperature": 1.0, "surface_temperature": 1.0, "relative_humidity": 8.0}
Message = tuple[str, bytes]
"""Topic and payload."""


def rounds_of(scene: Scene, rounds: int, end_ms: int) -> list[Message]:
    """Return what all probes send in so many rounds, the last of which is at `end_ms`, round by round.

    Parameters
    ----------
    scene : Scene
        All its probes have one cadence.
    rounds : int
    end_ms : int
        [ms since 1970, UTC]
    """
    chance = random.Random(rounds)  # noqa: S311 - noise, no secret
    step = int(scene.probes[0].every * 1000)
    return [
        message_of(probe, end_ms - back * step, chance) for back in reversed(range(rounds)) for probe in scene.probes
    ]


def message_of(probe: Probe, at_ms: int, chance: random.Random, **told: float) -> Message:
    """Return one message of a probe, with values that are usual except those told."""
    values = {
        name: told.get(name, _USUAL[name] + _NOISE[name] * chance.uniform(-1, 1))
        for name in (channel.quantity for channel in probe.channels)
    }
    return probe.topic, payload_of(probe, values, at_ms)


def packets_of(messages: Sequence[Message]) -> list[bytes]:
    """Return the messages as PUBLISH packets of QoS 1, numbered round."""
    return [_publish(topic.encode(), payload, number % 65_535 + 1) for number, (topic, payload) in enumerate(messages)]


def _publish(topic: bytes, payload: bytes, packet: int) -> bytes:
    body = struct.pack(">H", len(topic)) + topic + struct.pack(">H", packet) + payload
    return b"\x32" + _length(len(body)) + body


def _length(size: int) -> bytes:
    """Return a size as MQTT writes it: seven bits a byte, the lowest first."""
    written = bytearray()
    while True:
        size, low = divmod(size, 128)
        written.append(low | (0x80 if size else 0))
        if not size:
            return bytes(written)


class RawPublisher:
    """A connection to a broker that sends packets and counts what is acknowledged."""

    def __init__(self, address: BrokerAddress, name: str = "raw-publisher") -> None:
        self._socket = socket.create_connection((address.host, address.port), 10)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        body = struct.pack(">H4sBBHH", 4, b"MQTT", 4, 2, _KEEP_ALIVE_S, len(name)) + name.encode()
        self._socket.sendall(b"\x10" + _length(len(body)) + body)
        answer = self._exactly(4)
        if answer[0] != 0x20 or answer[3] != 0:
            raise ConnectionError(f"the broker at {address} did not let the publisher in: {answer!r}")
        self._unanswered = 0

    def send(self, packets: Sequence[bytes]) -> None:
        """Write packets, never more than the window ahead of the acknowledgements."""
        for start in range(0, len(packets), _AT_ONCE):
            chunk = packets[start : start + _AT_ONCE]
            self._socket.sendall(b"".join(chunk))
            self._unanswered += len(chunk)
            self.settle(_WINDOW - _AT_ONCE)

    def settle(self, at_most: int = 0) -> None:
        """Read acknowledgements until at most so many are missing."""
        while self._unanswered > at_most:
            self._exactly(4)
            self._unanswered -= 1

    def _exactly(self, size: int) -> bytes:
        got = self._socket.recv(size, socket.MSG_WAITALL)
        if len(got) < size:
            raise ConnectionError("the broker closed the publisher's connection")
        return got

    def close(self) -> None:
        self._socket.sendall(b"\xe0\x00")
        self._socket.close()


def publish_all(pipe: Connection, address: BrokerAddress, scene: Scene, rounds: int, end_ms: int) -> None:
    """Publish rounds of a room as fast as the broker takes them: reports ready, waits to be told, reports the time."""
    packets = packets_of(rounds_of(scene, rounds, end_ms))
    publisher = RawPublisher(address)
    pipe.send("ready")
    pipe.recv()
    began = time.perf_counter()
    publisher.send(packets)
    publisher.settle()
    took = time.perf_counter() - began
    publisher.close()
    said_once(pipe, took)


def publish_steadily(pipe: Connection, address: BrokerAddress, scene: Scene, a_second: float) -> None:
    """Publish one message after another of the room's first probes of each enclosure, until told to stop."""
    chance = random.Random(1)  # noqa: S311 - noise, no secret
    publisher = RawPublisher(address, "steady-publisher")
    due = time.perf_counter()
    for number, probe in enumerate(_endless(scene.probes[::2])):
        if pipe.poll(max(0.0, due - time.perf_counter())):
            publisher.close()
            said_once(pipe, number)
            return
        publisher.send(packets_of([message_of(probe, time.time_ns() // 1_000_000, chance)]))
        due += 1 / a_second


def _endless(probes: Sequence[Probe]) -> Iterator[Probe]:
    while True:
        yield from probes
