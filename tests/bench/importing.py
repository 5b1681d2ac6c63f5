"""A CSV file of ten million rows, imported."""

import csv
import math
import time
from datetime import UTC, datetime, timedelta
from itertools import islice
from multiprocessing.connection import Connection
from pathlib import Path

from sensors.simulator import Scene
from service.ingest.csv_files import HEADER, import_csv
from service.model import to_ms
from service.store.engine import open_store
from tests.bench.bare_table import INSERT, open_bare
from tests.bench.figures import BenchError, Figure, Subject, Target, Tell, in_turn
from tests.bench.rooms import breeding_room, database_of, furnished, scratch
from tests.bench.workers import Worker, peak_mib, said_once

_ROWS, _EVERY_S, _CHUNK = 10_000_000, 30, 50_000
_START = datetime(2026, 1, 1, tzinfo=UTC)
_LEAST, _MOST_MIB = 150_000.0, 200.0
ABOUT = f"""\
A CSV file of {_ROWS:,} rows of 800 channels, in order of time, into a new SQLite store. *Ours* is
`service.ingest.csv_files.import_csv` in a process of its own, whose greatest resident memory is told. The *bare limit*
is Python's csv reader, `float` and `fromisoformat`, and `executemany` into a bare sqlite3 table with the same key, in
transactions of as many rows; it looks for no channels by name and checks nothing."""


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return the one figure."""
    scene, peaks = breeding_room(), []
    with scratch() as folder:
        path = folder / "readings.csv"
        tell(f"writing {_ROWS:,} rows")
        _write(path, scene)
        measured = in_turn(lambda: _ours(path, scene, peaks), lambda: _bare(path), pairs, tell)
    target = Target(
        f"at least {_LEAST:,.0f}, in under {_MOST_MIB:.0f} MiB",
        lambda pairs: min(pairs.ours) >= _LEAST and max(peaks) < _MOST_MIB,
    )
    note = f"{_ROWS:,} rows; at most {max(peaks):.0f} MiB resident"
    return [Figure("Import of a CSV file, SQLite", "rows/s", measured, target, note)]


SUBJECT = Subject("import", ABOUT, measure, pairs=1)


def _write(path: Path, scene: Scene) -> None:
    channels = [(probe.id, channel.quantity) for probe in scene.probes for channel in probe.channels]
    with path.open("w", encoding="utf-8") as file:
        file.write(",".join(HEADER) + "\n")
        for beat in range(_ROWS // len(channels)):
            at = (_START + timedelta(seconds=_EVERY_S * beat, milliseconds=beat % 997)).isoformat(
                timespec="milliseconds"
            )
            value = round(24 + 4 * math.sin(beat / 400), 2)
            file.writelines(f"{at},{probe},{quantity},{value}\n" for probe, quantity in channels)


def _import(pipe: Connection, path: Path, folder: Path) -> None:
    store = open_store(database_of(folder))
    began = time.perf_counter()
    result = import_csv(store, path, lambda _done: None)
    took = time.perf_counter() - began
    store.close()
    said_once(pipe, (result.taken, took, peak_mib()))


def _ours(path: Path, scene: Scene, peaks: list[float]) -> float:
    with scratch() as folder:
        furnished(folder, scene).close()
        with Worker(_import, path, folder) as worker:
            taken, took, peak = worker.hear(600)
    if taken != _ROWS:
        raise BenchError(f"{taken} rows were taken of {_ROWS}")
    peaks.append(peak)
    return _ROWS / took


def _bare(path: Path) -> float:
    with scratch() as folder, path.open(encoding="utf-8", newline="") as file:
        bare, numbers, stored = open_bare(folder / "bare.db"), {}, 0
        began = time.perf_counter()
        rows = csv.reader(file)
        next(rows)
        while chunk := list(islice(rows, _CHUNK)):
            readings = [
                (
                    numbers.setdefault((probe, quantity), len(numbers)),
                    to_ms(datetime.fromisoformat(at)),
                    float(value),
                    1,
                )
                for at, probe, quantity, value in chunk
            ]
            readings.sort()
            bare.execute("BEGIN IMMEDIATE")
            stored += bare.executemany(INSERT, readings).rowcount
            bare.execute("COMMIT")
        took = time.perf_counter() - began
        bare.close()
    if stored != _ROWS:
        raise BenchError(f"the bare table took {stored} rows of {_ROWS}")
    return _ROWS / took
