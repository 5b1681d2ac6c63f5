"""A large site on PostgreSQL: a second ingest worker beside one, and how far the watch of 10,000 channels is behind."""

import bisect
import statistics
import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import psycopg

from service.ingest.broker_address import BrokerAddress
from service.main import now_ms
from service.main_processes import LOOK_EVERY_S
from tests.bench import brokers
from tests.bench.figures import BenchError, Figure, Pairs, Subject, Target, Tell, in_turn
from tests.bench.postgres_ingest import cluster
from tests.bench.publishing import publish_all
from tests.bench.rooms import breeding_room, scratch
from tests.bench.scale_parts import (
    Clock,
    Seen,
    cores_of,
    only_look,
    publish_in_turn,
    room_on,
    run_ingest,
    run_watch,
    with_children,
)
from tests.bench.workers import Worker
from tests.postgres import Postgres

if TYPE_CHECKING:
    from collections.abc import Iterator

_ROUNDS, _READINGS = 100, 80_000
_ENCLOSURES, _EVERY_S = 2_500, 60.0
_WARM_S, _MEASURED_S = 75, 100
_MOST_LAG_S, _MOST_CORES = 2.0, 1.0
ABOUT = f"""\
PostgreSQL that waits for the disk, Mosquitto, and the parts as processes of their own. *Two workers*: {_READINGS:,}
readings of 800 channels, two a message, published as fast as the broker takes them while the workers share them;
counted from the first message to the last reading on disk. Beside it, in the column of the bare limit, the same with
one worker. What each had of the cores is told: publisher, broker, database and workers share those of the machine.
*The watch*: {4 * _ENCLOSURES:,} channels of {_ENCLOSURES:,} enclosures in one room, each one reading a minute, evenly
spread; {_MEASURED_S} s are measured after {_WARM_S} s in which every channel was heard. The lag is from a commit until
the watch has judged what it brought. The *bare limit* is a loop of psycopg that asks for the number of the last write
as often as the watch does, and judges nothing."""
Pids = Mapping[str, Callable[[], list[int]]]


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return the three figures."""
    notes: list[str] = []
    with scratch() as folder, cluster() as server:
        shared = in_turn(
            lambda: _shared(folder, server, 2, notes), lambda: _shared(folder, server, 1, notes), pairs, tell
        )
        tell(f"{4 * _ENCLOSURES:,} channels, {_WARM_S + _MEASURED_S} s")
        lag, cores, said = _watched(folder, server)
    readings_a_s = 4 * _ENCLOSURES / _EVERY_S
    return [
        Figure("Two ingest workers on PostgreSQL beside one", "readings/s", shared, None, "; ".join(notes[-2:])),
        Figure(
            f"Commit to judged, {4 * _ENCLOSURES:,} channels, p99", "s", lag,
            Target(f"under {_MOST_LAG_S:g} s", lambda pairs: max(pairs.ours) < _MOST_LAG_S), said, digits=2,
        ),
        Figure(
            f"The watch of {4 * _ENCLOSURES:,} channels", "cores", cores,
            Target("under one core", lambda pairs: max(pairs.ours) < _MOST_CORES),
            f"{readings_a_s:.0f} readings/s", digits=2,
        ),
    ]  # fmt: skip


SUBJECT = Subject("scale", ABOUT, measure, pairs=3)


def _shared(folder: Path, server: Postgres, workers: int, notes: list[str]) -> float:
    """Return how many readings a second so many workers store."""
    scene, url = breeding_room(clocks=True), room_on(server, breeding_room(clocks=True))
    with ExitStack() as stack:
        broker, pids = stack.enter_context(_broker_of(folder))
        hearing = [
            stack.enter_context(Worker(run_ingest, str(folder), url, str(broker), number + 1))
            for number in range(workers)
        ]
        publisher = stack.enter_context(Worker(publish_all, broker, scene, _ROUNDS, now_ms()))
        for one in (*hearing, publisher):
            one.hear()
        spent = _Spent(pids | {"workers": lambda: [one.pid for one in hearing], **_of_server(server)})
        began = time.perf_counter()
        publisher.tell("go")
        _wait_for(url, _READINGS)
        took = time.perf_counter() - began
        notes.append(f"{workers} worker(s): {spent.said(took)}")
        publisher.hear()
        for one in hearing:
            one.tell("end")
            one.hear()
    server.drop(url)
    return _READINGS / took


def _watched(folder: Path, server: Postgres) -> tuple[Pairs, Pairs, str]:
    """Return the lag of the watch beside one that only looks, what it takes of a core, and what else was seen."""
    scene = breeding_room(_ENCLOSURES, _EVERY_S, clocks=True)
    url = room_on(server, scene)
    with ExitStack() as stack:
        broker, pids = stack.enter_context(_broker_of(folder))
        ingest = stack.enter_context(Worker(run_ingest, str(folder), url, str(broker), None))
        ingest.hear()
        publisher = stack.enter_context(
            Worker(publish_in_turn, broker, scene, len(scene.probes) / _EVERY_S, Clock(1.0, now_ms()))
        )
        watch = stack.enter_context(Worker(run_watch, str(folder), url, str(broker)))
        looking = stack.enter_context(Worker(only_look, url, LOOK_EVERY_S))
        for one in (publisher, watch, looking):
            one.hear()
        time.sleep(_WARM_S)
        parts = {"ingest": lambda: [ingest.pid], "watch": lambda: [watch.pid], **_of_server(server)}
        spent, bare, began = _Spent(pids | parts), cores_of([looking.pid]), time.time()
        time.sleep(_MEASURED_S)
        said, ended = spent.said(_MEASURED_S), time.time()
        ours, bare = spent.since()["watch"] / _MEASURED_S, (cores_of([looking.pid]) - bare) / _MEASURED_S
        publisher.tell("end")
        publisher.hear()
        time.sleep(_MOST_LAG_S)
        reports = []
        for one in (ingest, watch, looking):
            one.tell("end")
            reports.append(one.hear())
    written = [one for one in reports[0] if began <= one[0] <= ended]
    lags, floor = (_lags(written, judged) for judged in reports[1:])
    median = f"median {statistics.median(lags):.2f} s, slowest {max(lags):.2f} s, {len(lags):,} commits; {said}"
    return Pairs((_p99(lags),), (_p99(floor),)), Pairs((ours,), (max(bare, 0.001),)), median


def _lags(written: list[Seen], judged: list[Seen]) -> list[float]:
    """Return for each write how long it was until a look had seen it. [s]."""
    numbers = [number for _at, number in judged]
    lags = []
    for at, number in written:
        first = bisect.bisect_left(numbers, number)
        if first == len(judged):
            raise BenchError(f"write {number} was never looked at: the watch is more than {_MOST_LAG_S:g} s behind")
        lags.append(judged[first][0] - at)
    if not lags:
        raise BenchError("nothing was written while it was measured")
    return lags


def _p99(lags: list[float]) -> float:
    return statistics.quantiles(lags, n=100)[-1]


class _Spent:
    """What processes have had of the processor since now."""

    def __init__(self, pids: Pids) -> None:
        self._pids = pids
        self._before = self._now()

    def _now(self) -> dict[str, float]:
        return {name: cores_of(find()) for name, find in self._pids.items()}

    def since(self) -> dict[str, float]:
        """Return it by name. [s]."""
        return {name: spent - self._before[name] for name, spent in self._now().items()}

    def said(self, seconds: float) -> str:
        return ", ".join(f"{name} {spent / seconds:.2f} cores" for name, spent in self.since().items())


@contextmanager
def _broker_of(folder: Path) -> "Iterator[tuple[BrokerAddress, Pids]]":
    """Run a broker, and give what finds its process."""
    own = folder / f"broker-{time.monotonic_ns()}"
    own.mkdir()
    before = set(with_children(_own_pid()))
    with brokers.mosquitto(own) as address:
        made = [pid for pid in with_children(_own_pid()) if pid not in before]
        yield address, {"broker": lambda: made}


def _own_pid() -> int:
    return int(Path("/proc/self").readlink().name)


def _of_server(server: Postgres) -> Pids:
    """Find the processes of the database's server."""
    postmaster = int((server.folder / "data" / "postmaster.pid").read_text(encoding="ascii").split()[0])
    return {"database": lambda: with_children(postmaster)}


def _wait_for(url: str, readings: int, seconds: float = 120.0) -> None:
    deadline = time.monotonic() + seconds
    with psycopg.connect(url.replace("+psycopg", ""), autocommit=True) as connection:
        while True:
            row = connection.execute("SELECT count(*) FROM reading").fetchone()
            if row and row[0] >= readings:
                return
            if time.monotonic() > deadline:
                raise BenchError(f"{row} of {readings:,} readings were stored within {seconds:.0f} s")
            time.sleep(0.1)
