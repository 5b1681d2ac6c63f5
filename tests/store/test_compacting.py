"""`wardian seal --compact`: the file shrinks, everything in it stays, and what cannot be is refused beforehand."""

import sqlite3
import subprocess
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from service.errors import BadUse, Refused, StoreFull
from service.store.compacting import compact, plan_compaction
from service.store.engine import PAGE_BYTES, Store
from service.store.sealing import QUIET_MS, Sealer
from tests.builders import NOON_MS
from tests.empty_store import sqlite_store
from tests.store_furnished import DAY, contents_at, furnish


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A database with larger pages, as earlier versions made it, much of which sealing has left empty."""
    path = tmp_path / "wardian.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA page_size = 4096")
        connection.execute("VACUUM")
    path.chmod(0o600)
    store = sqlite_store(path)
    furnish(store, days=40, sealed=False)
    list(Sealer(store).run(NOON_MS + QUIET_MS + DAY, lambda _: None))
    store.close()
    return path


def pages(path: Path) -> tuple[int, int]:
    with closing(sqlite3.connect(path)) as connection:
        return tuple(connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_size", "freelist_count"))


def test_a_compacted_file_is_smaller_and_holds_the_same(path: Path) -> None:
    before = contents_at(f"sqlite:///{path}")
    size, empty = pages(path)
    assert (size, empty > 50) == (4096, True)
    plan = plan_compaction(f"sqlite:///{path}")
    assert compact(plan) == path.stat().st_size < plan.size / 2
    assert plan.needed >= path.stat().st_size
    assert pages(path) == (PAGE_BYTES, 0)
    assert contents_at(f"sqlite:///{path}") == before
    assert [file.name for file in path.parent.iterdir() if "compact" in file.name] == []
    assert path.stat().st_mode & 0o777 == 0o600


def test_a_file_that_is_in_use_is_left_as_it_was(path: Path) -> None:
    store: Store = sqlite_store(path)
    with store.read() as session:
        session.connection().exec_driver_sql("SELECT count(*) FROM reading").scalar_one()
        with pytest.raises(Refused, match="is in use: stop Wardian, then compact it; nothing was changed"):
            compact(plan_compaction(f"sqlite:///{path}"))
    store.close()
    assert pages(path)[0] == 4096


def test_a_disk_that_has_no_room_is_told_before_anything_is_written(path: Path, tmp_path: Path) -> None:
    small = tmp_path / "small"
    small.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(small)], check=True)
    try:
        full = small / "wardian.db"
        full.write_bytes(path.read_bytes())
        ballast = small / "ballast"
        ballast.write_bytes(bytes(plan_compaction(f"sqlite:///{full}").free - 50_000))
        with pytest.raises(StoreFull, match=r"compacting needs \d+ MB of free disk .* there are 0 MB"):
            compact(plan_compaction(f"sqlite:///{full}"))
        assert contents_at(f"sqlite:///{full}") == contents_at(f"sqlite:///{path}")
        # The plan may be overtaken by others who write to the same disk: then the file is left as it was, too.
        ballast.unlink()
        plan = plan_compaction(f"sqlite:///{full}")
        ballast.write_bytes(bytes(plan.free - 100_000))
        with pytest.raises(StoreFull, match="cannot be written"):
            compact(plan)
        assert contents_at(f"sqlite:///{full}") == contents_at(f"sqlite:///{path}")
    finally:
        subprocess.run(["umount", "--lazy", str(small)], check=True)


def test_postgresql_and_a_missing_file_are_no_case_for_it(tmp_path: Path, new_postgresql: Callable[[], str]) -> None:
    with pytest.raises(BadUse, match="PostgreSQL gives space back to itself"):
        plan_compaction(new_postgresql())
    with pytest.raises(BadUse, match="there is no database"):
        plan_compaction(f"sqlite:///{tmp_path}/none.db")
