"""A chart's worth of readings: 90 days at 30 s, read and thinned out to 2,000 points."""

import math
import random
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from sensors.simulator import Scene
from service.model import Flag
from service.store.engine import Store
from service.store.facts import load_facts
from service.store.history import chart_series, placements_in
from service.store.readings import NewReading, add_readings
from tests.bench.figures import BenchError, Figure, Subject, Target, Tell, in_turn
from tests.bench.rooms import breeding_room, furnished, scratch

_DAYS, _EVERY_MS, _POINTS = 90, 30_000, 2_000
_READINGS = _DAYS * 86_400_000 // _EVERY_MS
_START_MS = 1_767_225_600_000  # 2026-01-01T00:00:00Z
_END_MS = _START_MS + _DAYS * 86_400_000
_MOST_RATIO = 1.3
_ROW = np.dtype([("at", np.int64), ("value", np.float64), ("flags", np.int16)])
ABOUT = """\
One channel's 259,200 readings of 90 days at 30 s, among those of four channels that were stored as they come, in
order of time. *Ours* is `service.store.history.chart_series` in a read transaction of the store, which also applies
calibrations, finds the gaps and keeps each pixel column's first, last, least and greatest reading (M4). The *bare
limit* is `np.fromiter` over a sqlite3 cursor with the same rows, and nothing done with them. The file is in the page
cache for both; both connections stay open."""


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return the one figure."""
    scene = breeding_room(1)
    with scratch() as folder:
        store = furnished(folder, scene)
        tell(f"storing {4 * _READINGS:,} readings")
        channel = _fill(store)
        bare = _Bare(folder / "data" / "wardian.db", channel)
        ours = _Ours(store, scene, channel)
        measured = in_turn(ours.milliseconds, bare.milliseconds, pairs, tell)
        store.close()
    target = Target(f"ratio at most {_MOST_RATIO}", lambda pairs: pairs.ratio <= _MOST_RATIO)
    what = f"Series of {_DAYS} days at 30 s as {_POINTS:,} points"
    return [Figure(what, "ms", measured, target, f"{_READINGS:,} readings became {ours.drawn:,} points", digits=1)]


SUBJECT = Subject("series", ABOUT, measure, pairs=25)


def _fill(store: Store) -> int:
    """Store four channels in order of time; return the channel that is drawn."""
    with store.read() as session:
        channels = sorted(load_facts(session).channels)
    rows: list[NewReading] = []
    for row in _readings(channels):
        rows.append(row)
        if len(rows) == 100_000:
            _store(store, rows)
            rows = []
    _store(store, rows)
    return channels[0]


def _store(store: Store, rows: list[NewReading]) -> None:
    with store.write() as session:
        add_readings(session, rows)


def _readings(channels: list[int]) -> Iterator[NewReading]:
    """Yield days that differ, with noise and with times that are never quite even."""
    chance = random.Random(7)  # noqa: S311 - noise, no secret
    flag = int(Flag.DEVICE_CLOCK)
    for number in range(_READINGS):
        nominal = _START_MS + number * _EVERY_MS
        day = 26 + 4 * math.sin(nominal / 86_400_000 * math.tau)
        for channel in channels:
            yield channel, nominal + chance.randrange(900), round(day + chance.gauss(0, 0.3), 2), flag


class _Ours:
    def __init__(self, store: Store, scene: Scene, channel: int) -> None:
        self._store = store
        with store.read() as session:
            self._facts = load_facts(session)
        enclosure = next(one for one in self._facts.enclosures.values() if one.key == scene.enclosures[0].id)
        placements = placements_in(self._facts, enclosure, _START_MS, _END_MS)
        self._placements = [one for one in placements if one.channel_id == channel]
        self.drawn = 0

    def milliseconds(self) -> float:
        began = time.perf_counter()
        with self._store.read() as session:
            (series,) = chart_series(session, self._facts, self._placements, _START_MS, _END_MS, _POINTS)
        took = time.perf_counter() - began
        if series.readings != _READINGS:
            raise BenchError(f"{series.readings} readings were read, expected {_READINGS}")
        self.drawn = len(series.at)
        return took * 1000


class _Bare:
    def __init__(self, path: Path, channel: int) -> None:
        self._database, self._channel = sqlite3.connect(path), channel

    def milliseconds(self) -> float:
        began = time.perf_counter()
        cursor = self._database.execute(
            "SELECT at_ms, value, flags FROM reading WHERE channel_id = ? AND at_ms >= ? AND at_ms < ? ORDER BY at_ms",
            (self._channel, _START_MS, _END_MS),
        )
        table = np.fromiter(cursor, dtype=_ROW)
        took = time.perf_counter() - began
        if len(table) != _READINGS:
            raise BenchError(f"{len(table)} readings were read, expected {_READINGS}")
        return took * 1000
