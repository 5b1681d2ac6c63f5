"""The one table of the bare limits: the same columns and key as the store's, and as safe on disk."""

import sqlite3
from pathlib import Path

INSERT = "INSERT INTO reading VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING"


def open_bare(path: Path) -> sqlite3.Connection:
    """Open a bare database, made when it is not there: write-ahead log, on disk at each commit."""
    database = sqlite3.connect(path, isolation_level=None)
    database.execute("PRAGMA journal_mode = WAL")
    database.execute("PRAGMA synchronous = FULL")
    database.execute("PRAGMA cache_size = -32000")
    database.execute(
        "CREATE TABLE IF NOT EXISTS reading (channel_id INTEGER NOT NULL, at_ms BIGINT NOT NULL, "
        "value FLOAT NOT NULL, flags SMALLINT NOT NULL, PRIMARY KEY (channel_id, at_ms)) WITHOUT ROWID"
    )
    return database
