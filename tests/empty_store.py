"""An empty SQLite store in a moment: the migrations run once in a process, and what they made is copied."""

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path

from service.store.engine import Store, open_store


@cache
def empty_sqlite() -> Path:
    """Return a SQLite file with all tables and nothing in them."""
    folder = Path(tempfile.mkdtemp(prefix="wardian-empty-"))
    atexit.register(shutil.rmtree, folder)
    path = folder / "wardian.db"
    open_store(f"sqlite:///{path}").close()
    return path


def put_empty_sqlite(path: Path) -> None:
    """Put an empty database where none is yet, as private as a store's own."""
    if not path.exists():
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        shutil.copyfile(empty_sqlite(), path)
        path.chmod(0o600)


def sqlite_store(path: Path) -> Store:
    """Open the SQLite store at `path`, new or not."""
    put_empty_sqlite(path)
    return open_store(f"sqlite:///{path}")
