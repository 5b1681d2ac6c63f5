"""Sustained ingest: through a real broker into SQLite, QoS 1, on disk before it is acknowledged."""

import statistics
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path

from sensors.simulator import Scene
from service.ingest.broker_address import BrokerAddress
from service.main import now_ms
from service.model import Flag
from service.store.facts import load_facts
from service.store.readings import add_readings
from tests.bench.bare_table import open_bare
from tests.bench.brokers import embedded, leave_session, mosquitto
from tests.bench.figures import BenchError, Figure, Pairs, Subject, Target, Tell, in_turn
from tests.bench.ingest_bare import Topics, take_stream_bare
from tests.bench.ingest_ours import take_stream
from tests.bench.ingest_report import IngestReport
from tests.bench.publishing import publish_all
from tests.bench.rooms import breeding_room, furnished, scratch
from tests.bench.workers import Worker

ROUNDS = 200
"""How often each probe speaks: 400 probes, so 80,000 messages and 160,000 readings."""
_LEAST_RATIO = 0.5
_LEAST_A_SECOND = 15_000.0
ABOUT = """\
800 channels, two readings a message (JSON; half of the probes send their own time, half have no clock), QoS 1, every
message acknowledged after its commit. *Ours* is `service.ingest.subscriber.Subscriber` with
`service.ingest.intake.Intake` on a real store, in a process of its own. The *bare limit* is one loop of paho, orjson
and sqlite3 that does the same with no framework: manual acknowledgement, `executemany` into the same table (clustered,
WAL, `synchronous=FULL`), a commit when the broker's window is full or nothing more is waiting, then the
acknowledgements. It checks no values and keeps no newest readings, no receipts against repetition and no refused
messages. A process with a bare socket publishes packets made beforehand. *Backlog*: all of it waits in the broker's
persistent session before the listener comes. *Live*: the listener is there first and the publisher runs as fast as the
broker takes it, on the same cores. Counted from the first commit to the last acknowledgement, so that what is loaded
once at the start is no part of it; a run in which a reading is missing counts for nothing."""


@dataclass(frozen=True, slots=True)
class _Case:
    """One broker, one kind of stream."""

    what: str
    broker: Callable[[Path], AbstractContextManager[BrokerAddress]]
    is_backlog: bool


_CASES = (
    _Case("Mosquitto, window 1,000, backlog", mosquitto, is_backlog=True),
    _Case("Mosquitto, window 1,000, live", mosquitto, is_backlog=False),
    _Case("embedded broker, window 100, backlog", embedded, is_backlog=True),
    _Case("embedded broker, window 100, live", embedded, is_backlog=False),
)


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return a figure for each broker and kind of stream."""
    return [_figure(case, pairs, lambda said, case=case: tell(f"{case.what}: {said}")) for case in _CASES]


SUBJECT = Subject("ingest", ABOUT, measure)


def _figure(case: _Case, pairs: int, tell: Tell) -> Figure:
    scene = breeding_room()
    reports: dict[str, list[IngestReport]] = {"ours": [], "bare": []}

    def ours() -> float:
        reports["ours"].append(report := _stream(case, scene, bare=False))
        return report.a_second

    def bare() -> float:
        reports["bare"].append(report := _stream(case, scene, bare=True))
        return report.a_second

    measured = in_turn(ours, bare, pairs, tell)
    note = "; ".join(f"{name} {_described(several)}" for name, several in reports.items())
    return Figure(f"Ingest, {case.what}", "readings/s", measured, TARGET, note)


def _described(reports: list[IngestReport]) -> str:
    batch = statistics.median(report.counted / report.commits for report in reports)
    cpu = statistics.median(report.cpu_a_reading * 1e6 for report in reports)
    return f"{batch:,.0f} readings a commit, {cpu:.1f} µs of processor a reading"


def _is_met(pairs: Pairs) -> bool:
    return pairs.ratio >= _LEAST_RATIO and min(pairs.ours) >= _LEAST_A_SECOND


TARGET = Target("ratio at least 0.5, and never below 15,000/s", _is_met)


def _stream(case: _Case, scene: Scene, *, bare: bool) -> IngestReport:
    """Run one stream into a new database, and make sure that all of it is there."""
    end_ms, readings = now_ms(), 2 * ROUNDS * len(scene.probes)
    with scratch() as folder, case.broker(folder) as address, _publisher(address, scene, end_ms) as publisher:
        topics = _stores(folder, scene, before_ms=end_ms - 30_000 * ROUNDS)
        if case.is_backlog:
            leave_session(address)
            publisher.tell("go")
            publisher.hear()
        listener = (
            Worker(take_stream_bare, address, folder, readings, topics)
            if bare
            else Worker(take_stream, address, folder, readings)
        )
        with listener:
            listener.hear()
            if not case.is_backlog:
                publisher.tell("go")
            report: IngestReport = listener.hear()
    if report.stored != readings:
        raise BenchError(f"{case.what}: {report.stored} readings were stored of {readings}; something lost or doubled")
    return report


@contextmanager
def _publisher(address: BrokerAddress, scene: Scene, end_ms: int) -> Iterator[Worker]:
    with Worker(publish_all, address, scene, ROUNDS, end_ms) as publisher:
        publisher.hear()
        yield publisher


def _stores(folder: Path, scene: Scene, before_ms: int) -> Topics:
    """Make both databases, each with one reading of every channel, as if the room had been watched before."""
    store = furnished(folder, scene)
    with store.write() as session:
        facts = load_facts(session)
        rows = [(channel, before_ms, 24.0, int(Flag.DEVICE_CLOCK)) for channel in facts.channels]
        add_readings(session, rows)
    store.close()
    bare = open_bare(folder / "bare.db")
    bare.executemany("INSERT INTO reading VALUES (?, ?, ?, ?)", rows)
    bare.close()
    topics: Topics = {}
    for probe in scene.probes:
        first, second = probe.channels
        ids = [facts.channel_by_key[f"{probe.id}/{channel.quantity}"].id for channel in probe.channels]
        topics[probe.topic] = (ids[0], (first.pointer or "")[1:], ids[1], (second.pointer or "")[1:])
    return topics
