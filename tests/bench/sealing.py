"""How fast days are sealed: packed, and taken from the table of readings."""

import itertools
import time
from pathlib import Path

import numpy as np

from service.model import Flag
from service.store.blocks import DAY_MS, encode_day
from service.store.engine import Store
from service.store.readings import add_readings
from service.store.sealing import QUIET_MS, ROWS_AT_ONCE, Sealer
from tests.bench.bare_table import open_bare
from tests.bench.figures import BenchError, Figure, Subject, Target, Tell, in_turn
from tests.bench.rooms import breeding_room, furnished, scratch
from tests.bench.sealed_rooms import ChannelMonth, seal_into, years

_DAYS, _EVERY_MS, _CHANNELS = 30, 30_000, 4
_LEAST = 3_000_000.0
ABOUT = """\
30 days of a channel at 30 s with jittered times. *Packed and written*: arrays become blocks in the SQLite file (packed,
unpacked again and compared, summed up, checksummed and written, 30 days a transaction), counted in processor time of
the one thread; the *bare limit* is `encode_day` alone. *Taken from rows*: the sealer's whole work, from finding quiet
days to the last commit, without its rests, on four channels stored as rows; the *bare limit* is sqlite3 reading and
deleting the same rows in as many transactions, and nothing made of them."""


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return the two figures."""
    month = years(_DAYS, _EVERY_MS, seed=1)
    with scratch() as folder:
        store = furnished(folder, breeding_room(1))
        packed = in_turn(lambda: _packed(store, month), lambda: _encoded(month), pairs, tell)
        store.close()
    with scratch() as folder:
        runs = itertools.count()
        taken = in_turn(
            lambda: _sealed(folder / f"{next(runs)}", month, tell),
            lambda: _deleted(folder / f"{next(runs)}", month),
            3,
            tell,
        )
    target = Target(f"at least {_LEAST:,.0f}", lambda pairs: min(pairs.ours) >= _LEAST)
    return [
        Figure("Days packed and written, SQLite, one core", "readings/s", packed, target),
        Figure("Days taken from rows and sealed, SQLite", "readings/s", taken),
    ]


SUBJECT = Subject("sealing", ABOUT, measure)


def _packed(store: Store, month: ChannelMonth) -> float:
    began = time.thread_time()
    seal_into(store, 1, month)
    return len(month) / (time.thread_time() - began)


def _encoded(month: ChannelMonth) -> float:
    flags = np.full(len(month), int(Flag.DEVICE_CLOCK), np.int16)
    parts = np.flatnonzero(np.diff(month.at // DAY_MS)) + 1
    began = time.thread_time()
    for at, value, flag in zip(*(np.split(array, parts) for array in (month.at, month.value, flags)), strict=True):
        encode_day(int(at[0] // DAY_MS), at, value, flag)
    return len(month) / (time.thread_time() - began)


def _rows(month: ChannelMonth) -> list[tuple[int, int, float, int]]:
    pairs = list(zip(month.at.tolist(), month.value.tolist(), strict=True))
    return [(channel, at, value, 1) for channel in range(1, _CHANNELS + 1) for at, value in pairs]


def _sealed(folder: Path, month: ChannelMonth, tell: Tell) -> float:
    folder.mkdir()
    store = furnished(folder, breeding_room(1))
    with store.write() as session:
        add_readings(session, _rows(month))
    tell("rows are stored")
    began = time.perf_counter()
    *_, last = Sealer(store).run(int(month.at[-1]) + DAY_MS + QUIET_MS, rest=lambda _: None)
    took = time.perf_counter() - began
    store.close()
    if last.readings != _CHANNELS * len(month):
        raise BenchError(f"{last.readings} readings were sealed of {_CHANNELS * len(month)}")
    return last.readings / took


def _deleted(folder: Path, month: ChannelMonth) -> float:
    folder.mkdir()
    bare = open_bare(folder / "bare.db")
    bare.execute("BEGIN")
    bare.executemany("INSERT INTO reading VALUES (?, ?, ?, ?)", _rows(month))
    bare.execute("COMMIT")
    days = sorted(set((month.at // DAY_MS).tolist()))
    pieces = [(channel, day * DAY_MS, (day + 1) * DAY_MS) for channel in range(1, _CHANNELS + 1) for day in days]
    at_once = max(1, ROWS_AT_ONCE // (DAY_MS // _EVERY_MS))
    began, read = time.perf_counter(), 0
    for first in range(0, len(pieces), at_once):
        bare.execute("BEGIN IMMEDIATE")
        for piece in pieces[first : first + at_once]:
            span = "FROM reading WHERE channel_id = ? AND at_ms >= ? AND at_ms < ?"
            read += len(bare.execute(f"SELECT at_ms, value, flags {span}", piece).fetchall())
            bare.execute(f"DELETE {span}", piece)
        bare.execute("COMMIT")
    took = time.perf_counter() - began
    bare.close()
    return read / took
