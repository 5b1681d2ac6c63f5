"""Bytes a reading of a sealed month, beside Parquet's of the same readings."""

import io
import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import psycopg
import pyarrow as pa
from pyarrow import parquet

from service.model import Flag
from service.store.engine import open_store
from tests.bench.figures import Figure, Pairs, Subject, Target, Tell
from tests.bench.postgres_ingest import cluster
from tests.bench.rooms import scratch
from tests.bench.sealed_rooms import JITTER_MS, ChannelMonth, seal_into, simulated_month
from tests.postgres import Postgres

_ENCLOSURES, _DAYS = 3, 30
_MOST_JITTERED, _MOST_EXACT, _MOST_RATIO = 2.4, 1.5, 1.1
_LEVELS = (3, 9, 19)
_ENCODINGS = ("DELTA_BINARY_PACKED", "BYTE_STREAM_SPLIT", "PLAIN")
ABOUT = """\
30 days of six channels of simulated climate probes (0.01 °C, 0.01 %RH) every 30 s, with times that arrive by a normal
jitter of 25 ms and with exact ones, sealed. *Ours* is what the database has grown by: the SQLite file after its log was
written back, and on PostgreSQL the table of blocks with its index and its out-of-line storage. The *bare limit* is
Parquet of the same readings, tuned by hand (pyarrow; sorted by channel and time, values as whole hundredths, no
statistics, each column in its best encoding, the smallest of Zstandard's levels 3, 9 and 19). Parquet as it comes
(Zstandard, all else by default, float64 values) is told beside. Deterministic, so measured once."""


def measure(_pairs: int, tell: Tell) -> list[Figure]:
    """Return the figures of both databases and both kinds of times."""
    found = []
    with cluster() as server:
        for kind, jitter, most in (("25 ms jitter", JITTER_MS, _MOST_JITTERED), ("exact times", 0.0, _MOST_EXACT)):
            tell(f"simulating a month with {kind}")
            month = simulated_month(_ENCLOSURES, _DAYS, jitter)
            found += _figures(server, kind, month, most, tell)
    return found


SUBJECT = Subject("storage", ABOUT, measure, pairs=1)


def _figures(server: Postgres, kind: str, month: list[ChannelMonth], most: float, tell: Tell) -> list[Figure]:
    readings, table = sum(map(len, month)), _table(month)
    tell("writing Parquet")
    usual = _size(table, compression="zstd") / readings
    tuned = _tuned(month) / readings
    note = f"{readings:,} readings; Parquet with its defaults {usual:.2f}"
    figures = []
    for database, size in (("SQLite file", _sqlite(month)), ("PostgreSQL table", _postgresql(server, month))):
        pairs = Pairs((size / readings,), (tuned,))
        words = f"at most {most}, below Parquet's defaults, ratio at most {_MOST_RATIO}"
        is_asked = database == "SQLite file"
        target = Target(words, lambda pairs: pairs.ours[0] <= min(most, usual) and pairs.ratio <= _MOST_RATIO)
        what = f"A reading of a sealed month, {kind}, {database}"
        figures.append(Figure(what, "bytes", pairs, target if is_asked else None, note, digits=2))
    return figures


def _table(month: list[ChannelMonth], *, whole: bool = False) -> pa.Table:
    value = np.concatenate([channel.value for channel in month])
    return pa.table(
        {
            "channel_id": np.repeat(np.arange(1, len(month) + 1, dtype=np.int32), [len(channel) for channel in month]),
            "at_ms": np.concatenate([channel.at for channel in month]),
            "value": np.rint(value * 100).astype(np.int32) if whole else value,
            "flags": np.full(len(value), int(Flag.DEVICE_CLOCK), np.int32 if whole else np.int16),
        }
    )


def _size(table: pa.Table, **how: object) -> int:
    written = io.BytesIO()
    parquet.write_table(table, written, **how)  # pyright: ignore[reportArgumentType] - options by name
    return written.tell()


def _tuned(month: list[ChannelMonth]) -> int:
    table, delta = _table(month, whole=True), "DELTA_BINARY_PACKED"
    return min(
        _size(
            table, compression="zstd", compression_level=level, use_dictionary=False, write_statistics=False,
            column_encoding={"channel_id": delta, "at_ms": delta, "flags": delta, "value": encoding},
        )
        for level in _LEVELS
        for encoding in _ENCODINGS
    )  # fmt: skip


def _sqlite(month: list[ChannelMonth]) -> int:
    with scratch() as folder:
        path = folder / "wardian.db"
        open_store(f"sqlite:///{path}").close()
        empty = _settled(path)
        store = open_store(f"sqlite:///{path}")
        for number, channel in enumerate(month):
            seal_into(store, number + 1, channel)
        store.close()
        return _settled(path) - empty


def _settled(path: Path) -> int:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path.stat().st_size


def _postgresql(server: Postgres, month: list[ChannelMonth]) -> int:
    url = server.database()
    store = open_store(url)
    for number, channel in enumerate(month):
        seal_into(store, number + 1, channel)
    store.close()
    with psycopg.connect(url.replace("+psycopg", "")) as connection:
        row = connection.execute("SELECT pg_total_relation_size('reading_block')").fetchone()
    server.drop(url)
    return int(row[0]) if row else 0
