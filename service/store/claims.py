"""Tasks that one process at a time may do, for as long as it lives.

PostgreSQL keeps an advisory lock for a connection and lets it go when that ends, however it ends. SQLite's database is
a file of one computer, where the system does the same for a lock on a byte of a file beside it. So nothing is taken
over too early because a clock is wrong, and nothing stays taken by a process that is gone.
"""

import fcntl
import threading
import zlib
from pathlib import Path
from typing import Any, BinaryIO

import sqlalchemy as sa
from sqlalchemy.engine import Connection
from sqlalchemy.exc import DBAPIError

from service.store.engine import Store

_CLASS = 740_251
"""Tells our advisory locks from those of others in the same database."""


class Claims:
    """What this process has claimed; safe to call from several threads.

    Parameters
    ----------
    store : Store
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._connection: Connection | None = None
        self._file: BinaryIO | None = None
        self._mine: set[str] = set()
        self._lock = threading.RLock()

    def take(self, name: str) -> bool:
        """Claim a task if nobody has it, and say whether it is ours."""
        with self._lock:
            if name in self._mine:
                return True
            taken = self._lock_byte(name) if self._store.is_sqlite else self._lock_key(name)
            if taken:
                self._mine.add(name)
            return taken

    def release(self, name: str) -> None:
        """Let a task go; one that is not ours is left alone."""
        with self._lock:
            if name not in self._mine:
                return
            self._mine.discard(name)
            if self._file is not None:
                fcntl.lockf(self._file, fcntl.LOCK_UN, 1, _key(name) % 2**32)
            elif self._connection is not None:
                self._ask("SELECT pg_advisory_unlock(:class, :key)", _key(name))

    def mine(self) -> frozenset[str]:
        """Return what is ours still: with the connection to the database, all is lost."""
        with self._lock:
            if not self._store.is_sqlite and self._mine:
                self._ask("SELECT 1")
            return frozenset(self._mine)

    def among(self, names: list[str]) -> int:
        """Return how many of these tasks somebody has, ourselves included."""
        with self._lock:
            if self._store.is_sqlite:
                return sum(name in self._mine or self._has_another(name) for name in names)
            held = self._ask(
                "SELECT objid::bigint FROM pg_locks WHERE locktype = 'advisory' AND classid = :class AND granted"
                " AND database = (SELECT oid FROM pg_database WHERE datname = current_database())"
            )
            keys = {int(row[0]) for row in held}
            return sum(_key(name) % 2**32 in keys for name in names)

    def close(self) -> None:
        """Let everything go."""
        with self._lock:
            if self._file is not None:
                self._file.close()
                self._file = None
            self._lose()

    def _lock_key(self, name: str) -> bool:
        rows = self._ask("SELECT pg_try_advisory_lock(:class, :key)", _key(name))
        return bool(rows and rows[0][0])

    def _has_another(self, name: str) -> bool:
        if not self._lock_byte(name):
            return True
        if self._file is not None:
            fcntl.lockf(self._file, fcntl.LOCK_UN, 1, _key(name) % 2**32)
        return False

    def _lock_byte(self, name: str) -> bool:
        path = self._store.path
        if path is None:
            return True  # a database in memory is this process's own
        if self._file is None:
            self._file = Path(f"{path}.claims").open("ab")  # noqa: SIM115 - closing it lets the locks go
        try:
            fcntl.lockf(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB, 1, _key(name) % 2**32)
        except OSError:
            return False
        return True

    def _ask(self, statement: str, key: int = 0) -> list[Any]:
        """Ask on the connection that keeps the locks; when it is broken, all claims are lost."""
        try:
            if self._connection is None:
                self._connection = self._store.apart()
            return list(self._connection.execute(sa.text(statement), {"class": _CLASS, "key": key}).all())
        except DBAPIError:
            self._lose()
            return []

    def _lose(self) -> None:
        self._mine.clear()
        connection, self._connection = self._connection, None
        if connection is not None:
            # Not back to the pool: a connection that was given back would keep its locks.
            connection.invalidate()
            connection.close()


def _key(name: str) -> int:
    """Return a name as a signed number of 32 bits."""
    unsigned = zlib.crc32(name.encode())
    return unsigned - 2**32 if unsigned >= 2**31 else unsigned
