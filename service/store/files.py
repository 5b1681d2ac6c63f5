"""Files that are written beside a database: whole or not there, and down to the disk."""

import hashlib
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final, TypeAlias

from sqlalchemy.engine import make_url

from service.errors import Refused, StoreFull

Share: TypeAlias = Callable[[float], None]
"""Told what share of a work is done, from 0 to 1."""
PIECE: Final = 1 << 20
"""How much of a file is held at once. [byte]"""
_BESIDE: Final = ("", "-wal", "-shm", "-journal")


def file_digest(path: Path, share: Share = lambda _share: None) -> str:
    """Return the SHA-256 of a file, in hexadecimal."""
    digest, size, done = hashlib.sha256(), max(path.stat().st_size, 1), 0
    with path.open("rb") as file:
        while piece := file.read(PIECE):
            digest.update(piece)
            done += len(piece)
            share(done / size)
    return digest.hexdigest()


@contextmanager
def writing(path: Path) -> Iterator[None]:
    """Turn what goes wrong while a file is written into a sentence that names it."""
    try:
        yield
    except OSError as exc:
        raise StoreFull(f"{path}: cannot be written ({exc.strerror}); free space, or mend its permissions") from exc


def sync_folder(folder: Path) -> None:
    """Let the names in a folder outlive a power cut."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def into_one_file(path: Path) -> None:
    """Bring all of a database into its one file."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
    with path.open("rb") as file:
        os.fsync(file.fileno())


def sqlite_path(url: str) -> Path | None:
    """Return the file of a SQLite database, None for another one."""
    parsed = make_url(url)
    return Path(parsed.database or "") if parsed.get_backend_name() == "sqlite" else None


@contextmanager
def temporary(path: Path) -> Iterator[None]:
    """See that a file is not there before and not there after, nor what SQLite puts beside it."""
    with writing(path):
        remove(path)
    try:
        yield
    finally:
        remove(path)


def remove(path: Path) -> None:
    """Remove a file, if it is there, and what SQLite puts beside it."""
    for beside in _BESIDE:
        path.with_name(path.name + beside).unlink(missing_ok=True)


@contextmanager
def filling(path: Path) -> Iterator[None]:
    """Name the file that is written in what SQLite says of it, not the store that is read."""
    try:
        with writing(path):
            yield
    except sqlite3.Error as exc:
        raise StoreFull(f"{path}: cannot be written ({exc}); free space, or name another folder") from exc


def held(target: Path, purpose: str) -> sqlite3.Connection:
    """Take hold of a database that nobody may be using, with all that was written in its one file.

    Raises
    ------
    Refused
        It is in use; the sentence tells to stop Wardian first, then to do what the purpose says.
    """
    connection = sqlite3.connect(target, timeout=1.0, isolation_level=None)
    try:
        connection.execute("PRAGMA locking_mode = EXCLUSIVE")
        connection.execute("PRAGMA journal_mode = DELETE")
        connection.execute("BEGIN EXCLUSIVE")
    except sqlite3.OperationalError as exc:
        if "locked" in str(exc):
            connection.close()
            raise Refused(f"{target} is in use: stop Wardian, then {purpose}; nothing was changed") from exc
    except sqlite3.DatabaseError:
        pass  # it is damaged, which is why it is being replaced
    return connection
