"""A SQLite file written anew without the pages that are empty, checked row by row, and put in the old one's place."""

import hashlib
import os
import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from service.errors import BadUse, StoreDamaged, StoreFull
from service.store.engine import PAGE_BYTES, open_store
from service.store.files import filling, held, sqlite_path, sync_folder, temporary, writing

_SPARE: Final = 1.1
"""What is written anew may be a little larger than the pages that are in use now."""


@dataclass(frozen=True, slots=True)
class Compaction:
    """What compacting a file needs, and what it may bring. [byte].

    Attributes
    ----------
    path : Path
    size : int
        Of the file now.
    needed : int
        Of free disk space, beside it, while it lasts.
    free : int
        What the disk has.
    """

    path: Path
    size: int
    needed: int
    free: int


def plan_compaction(url: str) -> Compaction:
    """Say what it needs, without changing anything.

    Raises
    ------
    BadUse
        The database is no SQLite file, or there is none.
    """
    path = sqlite_path(url)
    if path is None:
        raise BadUse("--compact is for a SQLite file; PostgreSQL gives space back to itself (autovacuum)")
    if not path.is_file():
        raise BadUse(f"{path}: there is no database; set WARDIAN_DATA or WARDIAN_DATABASE")
    open_store(url).close()  # names what is no database of ours, or of a newer version
    with closing(sqlite3.connect(path)) as connection:
        pages, empty, size = (
            int(connection.execute(f"PRAGMA {name}").fetchone()[0])
            for name in ("page_count", "freelist_count", "page_size")
        )
    needed = int((pages - empty) * size * _SPARE) + PAGE_BYTES
    return Compaction(path, path.stat().st_size, needed, shutil.disk_usage(path.parent).free)


def compact(plan: Compaction) -> int:
    """Write the file anew and put it in the old one's place in one step; return its new size. [byte].

    Raises
    ------
    StoreFull
        The disk has not the space; nothing is changed.
    Refused
        The database is in use; nothing is changed.
    StoreDamaged
        What was written is not what was there; nothing is changed.
    """
    path, new = plan.path, plan.path.with_name(f"{plan.path.name}.compacting")
    if plan.free < plan.needed:
        raise StoreFull(
            f"{path}: compacting needs {plan.needed / 1e6:.0f} MB of free disk space beside it, and there are "
            f"{plan.free / 1e6:.0f} MB; free some, or move the folder to a larger disk"
        )
    with temporary(new), closing(held(path, "compact it")) as connection:
        connection.execute("COMMIT")  # the lock stays
        connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
        with filling(new):
            connection.execute("VACUUM INTO ?", (str(new),))
        _require_same(connection, new)
        with writing(path):
            new.chmod(path.stat().st_mode)
            with new.open("rb") as file:
                os.fsync(file.fileno())
            new.replace(path)
            sync_folder(path.parent)
    return path.stat().st_size


def _require_same(before: sqlite3.Connection, new: Path) -> None:
    with closing(sqlite3.connect(new)) as after:
        found = after.execute("PRAGMA quick_check(1)").fetchone()[0]
        if found != "ok":
            raise StoreDamaged(f"{new}: was not written as it should be ({found}); nothing was changed; check the disk")
        for (table,) in before.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name").fetchall():
            if _digest(before, table) != _digest(after, table):
                raise StoreDamaged(f"table {table} is not the same in {new}; nothing was changed; check the disk")


def _digest(connection: sqlite3.Connection, table: str) -> bytes:
    digest = hashlib.blake2b()
    for row in connection.execute(f'SELECT * FROM "{table}"'):  # noqa: S608 - the names are our tables'
        digest.update(repr(row).encode())
    return digest.digest()
