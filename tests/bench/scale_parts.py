"""What the figures of a large site are measured with: parts in processes of their own, and what they cost."""

import itertools
import os
import random
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from multiprocessing.connection import Connection
from pathlib import Path

import psycopg

import service.main
from sensors.simulator import Probe, Scene, room_toml
from service.ingest.broker_address import BrokerAddress
from service.main import Service
from service.main_processes import Role
from service.roomfile.applying import apply_room_file
from service.roomfile.reading import parse_room_file
from service.settings import load_settings
from service.store.engine import open_store
from tests.bench.publishing import RawPublisher, message_of, packets_of
from tests.bench.workers import children_of, said_once
from tests.postgres import Postgres

_TICKS = os.sysconf("SC_CLK_TCK")
_AT_ONCE_S = 0.05
Seen = tuple[float, int]
"""When a write was on disk, or was judged [s since 1970], and its number."""


def room_on(server: Postgres, scene: Scene) -> str:
    """Make a database with a room, and return its URL."""
    url = server.database()
    store = open_store(url)
    apply_room_file(store, parse_room_file(room_toml(scene)), by="the bench", now=datetime.now(UTC))
    store.close()
    return url


@dataclass(frozen=True, slots=True)
class Clock:
    """A clock that may run faster than the world's.

    Attributes
    ----------
    speed : float
        How many seconds pass in one.
    began_ms : int
        When both showed the same. [ms since 1970, UTC]
    """

    speed: float = 1.0
    began_ms: int = 0

    def now_ms(self) -> int:
        """Return what it shows. [ms since 1970, UTC]."""
        return round(self.began_ms + self.speed * (time.time_ns() / 1_000_000 - self.began_ms))


@contextmanager
def _running(folder: str, database: str, broker: str, roles: Iterable[Role], worker: int | None) -> Iterator[Service]:
    settings = load_settings(data=Path(folder), database=database, broker=broker)
    part = Service(settings, roles=frozenset(roles), worker=worker)
    try:
        yield part
    finally:
        part.stop()


def run_ingest(pipe: Connection, folder: str, database: str, broker: str, worker: int | None) -> None:
    """Be an ingest worker; at the end report when each write was on disk."""
    seen: list[Seen] = []
    with _running(folder, database, broker, [Role.INGEST], worker) as part:
        _after(part._intake, "take", lambda: seen.append((time.time(), part._intake._seen_write)))
        part.start()
        _until_told(pipe, lambda: part.component_states()["broker"].ok)
        said_once(pipe, seen)


def run_watch(pipe: Connection, folder: str, database: str, broker: str) -> None:
    """Be a watch; at the end report which write was judged when."""
    seen: list[Seen] = []
    with _running(folder, database, broker, [Role.WATCH], None) as part:
        _after(part._watch, "step", lambda: seen.append((time.time(), part._watch._seen_write)))
        part.start()
        _until_told(pipe, lambda: part._watch._seen_write >= 0)
        said_once(pipe, seen)


def run_all(pipe: Connection, folder: str, database: str, broker: str, clock: Clock) -> None:
    """Be ingest, watch and jobs in one process whose clock runs as told."""
    service.main.now_ms = clock.now_ms
    with _running(folder, database, broker, [Role.INGEST, Role.WATCH, Role.JOBS], None) as part:
        part.start()
        _until_told(pipe, lambda: part.component_states()["broker"].ok)
        said_once(pipe, part._intake.stored)


def only_look(pipe: Connection, url: str, every_s: float) -> None:
    """Look for the number of the last write as a watch does, and do nothing with it; at the end report."""
    seen: list[Seen] = []
    with psycopg.connect(url.replace("+psycopg", ""), autocommit=True) as connection:
        pipe.send("ready")
        while not pipe.poll(every_s):
            row = connection.execute("SELECT value FROM counter WHERE name = 'write'").fetchone()
            seen.append((time.time(), row[0] if row else -1))
    said_once(pipe, seen)


def publish_in_turn(pipe: Connection, address: BrokerAddress, scene: Scene, a_second: float, clock: Clock) -> None:
    """Let one probe after another speak, so many messages a second, until told to stop; report how many there were."""
    chance = random.Random(1)  # noqa: S311 - noise, no secret
    publisher, said, began = RawPublisher(address, "in-turn"), 0, time.perf_counter()
    probes: Iterator[Probe] = itertools.cycle(scene.probes)
    pipe.send("ready")
    while not pipe.poll(_AT_ONCE_S):
        due = round((time.perf_counter() - began) * a_second)
        now = clock.now_ms()
        publisher.send(packets_of([message_of(probe, now, chance) for probe in itertools.islice(probes, due - said)]))
        said = due
    publisher.settle()
    publisher.close()
    said_once(pipe, said)


def _after(thing: object, name: str, then: Callable[[], None]) -> None:
    """Do something after each call of a method."""
    method = getattr(thing, name)

    def both(*arguments: object) -> object:
        answer = method(*arguments)
        then()
        return answer

    setattr(thing, name, both)


def _until_told(pipe: Connection, is_ready: Callable[[], bool]) -> None:
    while not is_ready():
        time.sleep(0.05)
    pipe.send("ready")
    pipe.recv()


def cores_of(pids: Iterable[int]) -> float:
    """Return the processor time that processes have had, their own threads included. [s]."""
    total = 0
    for pid in pids:
        try:
            fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
        except FileNotFoundError:
            continue  # a connection that has ended
        total += int(fields[11]) + int(fields[12])
    return total / _TICKS


def with_children(pid: int) -> list[int]:
    """Return a process and those it has started."""
    return [pid, *children_of(pid)]
