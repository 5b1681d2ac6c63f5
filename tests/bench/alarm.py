"""From a probe's message to the alarm: recorded, and on the live stream, while the room goes on speaking."""

import random
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Self

import httpx
import numpy as np
import orjson

from sensors.simulator import Probe, Scene
from service.ingest.broker_address import BrokerAddress
from service.main import now_ms
from tests.bench.alarm_bare import CONDITION, HOT, serve_bare
from tests.bench.brokers import mosquitto
from tests.bench.figures import BenchError, Figure, Pairs, Subject, Target, Tell
from tests.bench.publishing import RawPublisher, message_of, packets_of, publish_steadily
from tests.bench.rooms import breeding_room, scratch
from tests.bench.serving import serving
from tests.bench.workers import Worker

_ALARMS = 120
"""So many are raised in a run, one after the other."""
_MESSAGES_A_SECOND = 100.0
_STEP_MS = 30_000
_USUAL_C = 33.0
_MOST_MS = 250.0
_LONGEST_S = 10.0
_SEEN_S = 3.0
"""After so long everything that was sent has been judged. [s]"""
ABOUT = """\
A room of 200 enclosures whose probes publish 100 messages a second (200 readings/s) through Mosquitto. 120 basking
spots become too hot, one after the other at random moments; their messages carry device times, so that the on-delay of
60 s lies in the past and only the last message can raise the alarm. Counted from writing that message to the socket
until the alarm's event has come in on the live stream (server-sent events), which is sent after the alarm is on disk.
*Ours* is `wardian up`: broker, ingest, commit, watch, alarm record, commit, live stream. The *bare limit* is one loop
of paho, orjson and sqlite3 with one `if`: it commits the readings, commits a row for the alarm and writes the event to
a socket. p50 and p99 of each run."""


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return the median and the 99th percentile."""
    scene = breeding_room(clocks=True)
    runs: list[tuple[np.ndarray, np.ndarray]] = []
    for pair in range(pairs):
        tell(f"pair {pair + 1} of {pairs}")
        runs.append((_run(scene, _ours), _run(scene, _bare)))
    p50, p99 = (
        Pairs(*(tuple(float(np.percentile(run[side], share)) for run in runs) for side in (0, 1))) for share in (50, 99)
    )
    target = Target(f"p99 under {_MOST_MS:.0f} ms", lambda pairs: max(pairs.ours) < _MOST_MS)
    most = max(float(run[0].max()) for run in runs)
    what = "Publish to alarm on the live stream"
    return [
        Figure(f"{what}, p50", "ms", p50, digits=1),
        Figure(f"{what}, p99", "ms", p99, target, f"{_ALARMS} alarms a run, the slowest {most:.0f} ms", digits=1),
    ]


SUBJECT = Subject("alarm", ABOUT, measure, pairs=3)
_Side = Callable[[Path, Scene, BrokerAddress], AbstractContextManager[str]]


@contextmanager
def _ours(folder: Path, scene: Scene, broker: BrokerAddress) -> Iterator[str]:
    with serving(folder, scene, broker) as service:
        yield f"{service.url}/api/v1/live"


@contextmanager
def _bare(folder: Path, scene: Scene, broker: BrokerAddress) -> Iterator[str]:
    with Worker(serve_bare, broker, folder, scene) as worker:
        yield worker.hear()
        worker.tell("stop")


def _run(scene: Scene, side: _Side) -> np.ndarray:
    """Return how long each alarm took. [ms]."""
    with scratch() as folder, mosquitto(folder) as broker, side(folder, scene, broker) as url, _Ear(url) as ear:
        publisher = RawPublisher(broker)
        spots = _basking(scene)[:_ALARMS]
        begin_ms = now_ms() - 4 * 60_000
        _heat(publisher, spots, begin_ms)
        with Worker(publish_steadily, broker, scene, _MESSAGES_A_SECOND) as steady:
            time.sleep(_SEEN_S)
            took = [_raise(publisher, spot, begin_ms + 3 * _STEP_MS, ear) for spot in spots]
            steady.tell("stop")
            steady.hear()
        publisher.close()
    return np.array(took) * 1000


def _basking(scene: Scene) -> list[Probe]:
    """Return the probes of the basking spots that have a lamp: their species has a limit."""
    lamps = {enclosure.id for enclosure in scene.enclosures if enclosure.equipment.lamp_watts > 0}
    return [probe for probe in scene.probes[1::2] if probe.channels[0].enclosure in lamps]


def _heat(publisher: RawPublisher, spots: list[Probe], begin_ms: int) -> None:
    """Let every spot be hot for 30 s, half of the on-delay; the watch begins with the first reading that it sees."""
    chance = random.Random(3)  # noqa: S311 - noise, no secret
    for step, spot_c in enumerate((_USUAL_C, HOT + 5, HOT + 5)):
        at_ms = begin_ms + step * _STEP_MS
        publisher.send(packets_of([message_of(spot, at_ms, chance, surface_temperature=spot_c) for spot in spots]))
        publisher.settle()
        time.sleep(_SEEN_S)


def _raise(publisher: RawPublisher, spot: Probe, at_ms: int, ear: "_Ear") -> float:
    """Send the message that completes the on-delay, and wait for the alarm. [s]."""
    chance = random.Random(at_ms + len(ear.heard))  # noqa: S311 - moments and noise, no secret
    time.sleep(chance.uniform(0.05, 0.25))
    packets = packets_of([message_of(spot, at_ms, chance, surface_temperature=HOT + 5)])
    began = time.perf_counter()
    publisher.send(packets)
    return ear.wait_for(spot.channels[0].enclosure) - began


class _Ear:
    """Listens to the live stream in a thread, and notes when each enclosure's alarm came."""

    def __init__(self, url: str) -> None:
        self._url = url
        self._ended = False
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self.heard: dict[str, float] = {}

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended = True

    def wait_for(self, enclosure: str) -> float:
        with self._changed:
            if self._changed.wait_for(lambda: enclosure in self.heard, _LONGEST_S):
                return self.heard[enclosure]
        raise BenchError(f"no alarm of {enclosure} within {_LONGEST_S:.0f} s")

    def _listen(self) -> None:
        is_alarm = False
        try:
            with httpx.stream("GET", self._url, timeout=60) as live:
                for line in live.iter_lines():
                    if line.startswith("event: "):
                        is_alarm = line == "event: alarm"
                    elif is_alarm and line.startswith("data: "):
                        self._note(line)
        except httpx.TransportError:
            if not self._ended:
                raise

    def _note(self, line: str) -> None:
        now, alarm = time.perf_counter(), orjson.loads(line.removeprefix("data: "))
        if alarm["condition"] == CONDITION:
            with self._changed:
                self.heard.setdefault(alarm["enclosure"], now)
                self._changed.notify_all()
