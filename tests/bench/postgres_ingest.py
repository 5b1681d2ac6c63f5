"""Batches of readings into PostgreSQL, beside the same batches by its driver alone."""

import os
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import psycopg
from psycopg import sql

from sensors.simulator import room_toml
from service.model import Flag
from service.roomfile.applying import apply_room_file
from service.roomfile.reading import parse_room_file
from service.store.engine import Store, open_store
from service.store.readings import NewReading, add_readings
from tests.bench.figures import BenchError, Figure, Subject, Target, Tell, in_turn
from tests.bench.rooms import breeding_room
from tests.postgres import Postgres

_CHANNELS, _BATCH, _BATCHES, _EVERY_MS = 800, 2_000, 250, 30_000
_START_MS = 1_767_225_600_000  # 2026-01-01T00:00:00Z
_LEAST_RATIO = 0.6
ABOUT = f"""\
{_BATCHES} batches of {_BATCH:,} readings of {_CHANNELS} channels, in order of time, each batch a transaction that waits
for the disk (`fsync` and `synchronous_commit` on). *Ours* is `service.store.readings.add_readings` in a write
transaction of the store: beside the readings it keeps the newest of each channel and numbers the write. The *bare
limit* is psycopg alone: a binary `COPY` of the same rows into a temporary table and `INSERT … ON CONFLICT DO NOTHING`
from there into a table of the same key and monthly partitions."""


def initdb() -> str:
    """Return the program that makes a cluster.

    Raises
    ------
    BenchError
        When there is none.
    """
    apart = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda folder: int(folder.parts[4]), reverse=True)
    found = shutil.which("initdb", path=":".join([*map(str, apart), os.environ.get("PATH", "")]))
    if found is None:
        raise BenchError("initdb is not installed; install PostgreSQL to measure this")
    return found


@contextmanager
def cluster() -> Iterator[Postgres]:
    """Give a server that waits for the disk at each commit."""
    server = Postgres(initdb(), durable=True)
    server.start()
    try:
        yield server
    finally:
        server.throw_away()


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return the one figure."""
    with cluster() as server:
        room = _room(server)
        measured = in_turn(lambda: _ours(server, room), lambda: _bare(server), pairs, tell)
    target = Target(f"ratio at least {_LEAST_RATIO}", lambda pairs: pairs.ratio >= _LEAST_RATIO)
    note = f"batches of {_BATCH:,} readings"
    return [Figure("Ingest into PostgreSQL", "readings/s", measured, target, note)]


SUBJECT = Subject("postgres", ABOUT, measure)


def _batches() -> Iterator[list[NewReading]]:
    """Yield batches as probes make them: each channel in turn, its times never quite even."""
    flag, number = int(Flag.DEVICE_CLOCK), 0
    for _ in range(_BATCHES):
        batch = []
        for _ in range(_BATCH):
            beat, channel = divmod(number, _CHANNELS)
            at = _START_MS + beat * _EVERY_MS + (number * 7_919) % 900
            batch.append((channel + 1, at, 20 + number % 1_000 / 100, flag))
            number += 1
        yield batch


def _room(server: Postgres) -> str:
    """Make a database with the room, and return its name: each run takes a copy of it."""
    url = server.database()
    store = open_store(url)
    scene = breeding_room()
    apply_room_file(store, parse_room_file(room_toml(scene)), by="the bench", now=datetime.now(UTC))
    with store.write() as session:
        # As if the room had been watched before: every channel has a newest reading.
        add_readings(session, [(channel + 1, _START_MS - _EVERY_MS, 20.0, 1) for channel in range(_CHANNELS)])
    store.close()
    return url.rsplit("/", 1)[1]


def _ours(server: Postgres, room: str) -> float:
    url = server.database(room)
    store = open_store(url)
    took = sum(_stored(store, batch) for batch in _batches())
    store.close()
    server.drop(url)
    return _BATCHES * _BATCH / took


def _stored(store: Store, batch: list[NewReading]) -> float:
    began = time.perf_counter()
    with store.write() as session:
        stored = add_readings(session, batch)
    took = time.perf_counter() - began
    if stored != len(batch):
        raise BenchError(f"{stored} readings of {len(batch)} were stored")
    return took


def _bare(server: Postgres) -> float:
    url = server.database()
    with psycopg.connect(url.replace("+psycopg", "")) as connection:
        _make_bare(connection)
        took = 0.0
        for batch in _batches():
            began = time.perf_counter()
            with connection.cursor() as cursor:
                with cursor.copy("COPY incoming FROM STDIN (FORMAT BINARY)") as copy:
                    copy.set_types(["int4", "int8", "float8", "int2"])
                    for row in batch:
                        copy.write_row(row)
                cursor.execute("INSERT INTO reading SELECT * FROM incoming ON CONFLICT DO NOTHING")
                stored = cursor.rowcount
            connection.commit()
            took += time.perf_counter() - began
            if stored != len(batch):
                raise BenchError(f"{stored} readings of {len(batch)} were stored by bare parts")
    server.drop(url)
    return _BATCHES * _BATCH / took


def _make_bare(connection: psycopg.Connection) -> None:
    month_ms = 31 * 86_400_000
    connection.execute(
        "CREATE TABLE reading (channel_id integer, at_ms bigint, value double precision NOT NULL, "
        "flags smallint NOT NULL, PRIMARY KEY (channel_id, at_ms)) PARTITION BY RANGE (at_ms)"
    )
    for month in range(-1, 3):
        start = _START_MS + month * month_ms
        name, span = sql.Identifier(f"reading_{month + 1}"), (sql.Literal(start), sql.Literal(start + month_ms))
        made = sql.SQL("CREATE TABLE {} PARTITION OF reading FOR VALUES FROM ({}) TO ({})")
        connection.execute(made.format(name, *span))
    connection.execute(
        "CREATE TEMPORARY TABLE incoming (channel_id integer, at_ms bigint, value double precision, flags smallint) "
        "ON COMMIT DELETE ROWS"
    )
    connection.commit()
