"""Hours of a room's life at twenty times its pace: the memory of what watches it stays as it is."""

import time
from collections.abc import Sequence
from contextlib import ExitStack

from tests.bench import brokers
from tests.bench.figures import BenchError, Figure, Pairs, Subject, Target, Tell
from tests.bench.postgres_ingest import cluster
from tests.bench.rooms import breeding_room, scratch
from tests.bench.scale_parts import Clock, cores_of, publish_in_turn, room_on, run_all
from tests.bench.workers import Worker, resident_mib

_SPEED, _EVERY_S, _HOURS = 20.0, 60.0, 1.6
_SAMPLES = 200
_MOST_GROWTH = 1.05
ABOUT = f"""\
A room of 200 enclosures and 800 channels at one reading a minute, on PostgreSQL and Mosquitto, all of it at {_SPEED:g}
times its pace: the probes, and the clock of the process that hears, watches and does the jobs. The resident memory of
that process, read {_SAMPLES} times. *Ours* is the most of the last quarter, *bare limit* the most of the second: by
then every channel has been heard, and every enclosure looked at. {_HOURS:g} hours; `--hours 24` takes 72 minutes."""


def measure(pairs: int, tell: Tell, hours: float = _HOURS) -> list[Figure]:
    """Return the one figure; it is measured once, however many pairs are asked for."""
    scene = breeding_room(every=_EVERY_S, clocks=True)
    seconds = hours * 3_600 / _SPEED
    with scratch() as folder, cluster() as server, ExitStack() as stack:
        url, broker = room_on(server, scene), stack.enter_context(brokers.mosquitto(folder))
        clock = Clock(_SPEED, time.time_ns() // 1_000_000)
        room = stack.enter_context(Worker(run_all, str(folder), url, str(broker), clock))
        room.hear()
        publisher = stack.enter_context(
            Worker(publish_in_turn, broker, scene, len(scene.probes) / _EVERY_S * _SPEED, clock)
        )
        publisher.hear()
        before = cores_of([room.pid])
        weights = _weights(room.pid, seconds, tell)
        cores = (cores_of([room.pid]) - before) / seconds
        publisher.tell("end")
        sent = publisher.hear()
        time.sleep(2.0)
        room.tell("end")
        stored = room.hear()
    if stored != 2 * sent or not sent:
        raise BenchError(f"{stored} readings of {2 * sent} were stored")
    return [_figure(weights, hours, f"{stored:,} readings, {cores:.2f} cores at {_SPEED:g} times its pace")]


SUBJECT = Subject("soak", ABOUT, measure, pairs=1)


def _weights(pid: int, seconds: float, tell: Tell) -> list[float]:
    """Return the memory of a process again and again. [MiB]."""
    weights, began = [], time.monotonic()
    for number in range(1, _SAMPLES + 1):
        time.sleep(max(0.0, began + seconds * number / _SAMPLES - time.monotonic()))
        weights.append(resident_mib(pid))
        if number % (_SAMPLES // 8) == 0:
            tell(f"{number / _SAMPLES:.0%}, {weights[-1]:.0f} MiB")
    return weights


def _figure(weights: Sequence[float], hours: float, said: str) -> Figure:
    quarter = len(weights) // 4
    pairs = Pairs((max(weights[-quarter:]),), (max(weights[quarter : 2 * quarter]),))
    target = Target(f"ratio at most {_MOST_GROWTH}", lambda pairs: pairs.ratio <= _MOST_GROWTH)
    what = f"Memory after {hours:g} hours of 800 channels, beside its second quarter"
    return Figure(what, "MiB", pairs, target, said)
