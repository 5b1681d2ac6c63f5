"""A simulated month of the glasshouse: physics, probes, and all their readings stored."""

import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path

from sensors.simulator import SimulatedRoom, glasshouse
from service.demo import store_history
from service.store.readings import NewReading
from tests.bench.bare_table import INSERT, open_bare
from tests.bench.figures import BenchError, Figure, Subject, Target, Tell, in_turn
from tests.bench.rooms import furnished, scratch

_DAYS, _DAY_MS = 30, 86_400_000
_END_MS = 1_772_496_000_000  # 2026-03-03T00:00:00Z
_START_MS = _END_MS - _DAYS * _DAY_MS
_MOST_S = 40.0
ABOUT = """\
30 days of the demo's glasshouse: 24 enclosures with four channels each, and five more channels, at 60 s. *Ours* is
`service.demo.store_history`: the physics in steps of 15 s, what the probes make of it, and every reading stored, day by
day. The *bare limit* is `executemany` of the same tuples in the same order, a transaction a day, into a bare sqlite3
table with the same key and settings; making the tuples is not counted there."""


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return the one figure."""
    with scratch() as folder:
        month = _Month(folder)
        measured = in_turn(month.ours, month.bare, pairs, tell)
    target = Target(f"under {_MOST_S:.0f} s", lambda pairs: max(pairs.ours) < _MOST_S)
    what = "A simulated month of 24 enclosures, generated and stored"
    return [Figure(what, "s", measured, target, f"{month.readings:,} readings", digits=1)]


SUBJECT = Subject("month", ABOUT, measure, pairs=3)


class _Month:
    """Both ways into new databases; the bare one stores again what ours has stored last."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._run = folder, 0
        self.readings = 0

    def ours(self) -> float:
        self._run += 1
        scene = glasshouse(_END_MS)
        store = furnished(self._here, scene)
        began = time.perf_counter()
        self.readings = sum(store_history(store, SimulatedRoom(scene, seed=1), _START_MS, _END_MS))
        took = time.perf_counter() - began
        store.close()
        return took

    def bare(self) -> float:
        source = sqlite3.connect(self._here / "data" / "wardian.db")
        bare, took, stored = open_bare(self._here / "bare.db"), 0.0, 0
        for rows in _days(source):
            began = time.perf_counter()
            bare.execute("BEGIN IMMEDIATE")
            stored += bare.executemany(INSERT, rows).rowcount
            bare.execute("COMMIT")
            took += time.perf_counter() - began
        bare.close()
        source.close()
        if stored != self.readings:
            raise BenchError(f"the bare table took {stored} readings, ours {self.readings}")
        return took

    @property
    def _here(self) -> Path:
        return self._folder / str(self._run)


def _days(source: sqlite3.Connection) -> Iterator[list[NewReading]]:
    """Yield a day's rows, channel by channel."""
    channels = [row[0] for row in source.execute("SELECT id FROM channel ORDER BY id")]
    query = "SELECT * FROM reading WHERE channel_id = ? AND at_ms >= ? AND at_ms < ? ORDER BY at_ms"
    for day in range(_START_MS, _END_MS + _DAY_MS, _DAY_MS):
        yield [row for channel in channels for row in source.execute(query, (channel, day, day + _DAY_MS))]
