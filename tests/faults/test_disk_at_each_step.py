"""The disk is full, or read-only, while the store is changed: a sentence, and afterwards everything is as it was."""

import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from service.errors import StoreUnusable
from service.store.backup import back_up, inspect_backup
from service.store.block_checks import check_blocks
from service.store.compacting import compact, plan_compaction
from service.store.engine import head_revision, open_store
from service.store.integrity import check_store
from service.store.moving import move_store
from service.store.readings import add_readings
from service.store.restoring import restore
from service.store.sealing import QUIET_MS, Sealer
from tests.builders import NOON_MS
from tests.small_disk import Disk, small_disk
from tests.store_furnished import DAY, contents_at, furnish, migrate

pytestmark = [pytest.mark.faults, pytest.mark.timeout(300)]
MOST_FREE, STEP = 1_500_000, 190_000
BATCH = [(channel, NOON_MS + 1 + n, 20.5, 1) for channel in (1, 2, 3) for n in range(4_000)]
Work = Callable[[str, Path], None]


@pytest.fixture(scope="module")
def disk() -> Iterator[Disk]:
    with small_disk(12) as made:
        yield made


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, bytes, Path]:
    """A room of this version and one of an older version, as files, and a backup of the first."""
    folder = tmp_path_factory.mktemp("room")
    url = f"sqlite:///{folder}/wardian.db"
    store = open_store(url)
    furnish(store, days=12)
    back_up(store, folder / "room.zip")
    store.close()
    now = _in_one_file(folder / "wardian.db")
    migrate(url, "0006")
    return now, _in_one_file(folder / "wardian.db"), folder / "room.zip"


def _in_one_file(path: Path) -> bytes:
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA journal_mode = DELETE")
    connection.close()
    return path.read_bytes()


def commit(url: str, _backup: Path) -> None:
    store = open_store(url)
    try:
        with store.write() as session:
            assert add_readings(session, BATCH) == len(BATCH)
    finally:
        store.close()


def seal(url: str, _backup: Path) -> None:
    store = open_store(url)
    try:
        list(Sealer(store).run(NOON_MS + DAY + QUIET_MS, lambda _: None))
    finally:
        store.close()


def back_up_there(url: str, _backup: Path) -> None:
    store = open_store(url)
    try:
        back_up(store, Path(url.removeprefix("sqlite:///")).with_name("new.zip"))
    finally:
        store.close()


def restore_there(url: str, backup: Path) -> None:
    restore(backup, url, lambda _manifest, _site: True, lambda _doing, _share: None)


def move_there(url: str, _backup: Path) -> None:
    move_store(url, url.replace("wardian.db", "moved.db"))


def migrate_there(url: str, _backup: Path) -> None:
    open_store(url).close()


def compact_there(url: str, _backup: Path) -> None:
    compact(plan_compaction(url))


WORKS: dict[str, tuple[Work, bool]] = {
    "commit": (commit, False),
    "sealing": (seal, False),
    "backup": (back_up_there, False),
    "restore": (restore_there, False),
    "move": (move_there, False),
    "migration": (migrate_there, True),
    "compacting": (compact_there, False),
}


def _put(disk: Disk, body: bytes) -> str:
    """Empty the disk and put a database on it."""
    for left in disk.folder.iterdir():
        left.unlink()
    (disk.folder / "wardian.db").write_bytes(body)
    return f"sqlite:///{disk.folder}/wardian.db"


def _sound_contents(url: str) -> dict[str, str]:
    store = open_store(url)
    with store.read() as session:
        assert check_store(session) == []
        assert check_blocks(session) == []
    store.close()
    return contents_at(url)


@pytest.mark.parametrize("name", WORKS)
def test_a_full_or_read_only_disk_changes_nothing_at_any_step(
    disk: Disk, room: tuple[bytes, bytes, Path], name: str
) -> None:
    work, is_old = WORKS[name]
    body, refused = room[1 if is_old else 0], 0
    url = _put(disk, body)
    before = contents_at(url)  # an old one is brought up to date by being looked at
    for free in range(0, MOST_FREE, STEP):
        url = _put(disk, body)
        with disk.filled(free):
            try:
                work(url, room[2])
            except StoreUnusable as exc:
                refused += 1
                assert "free" in str(exc) or "mend" in str(exc)  # noqa: PT017 - at most places it must raise, at some not
            else:
                break
        if name != "sealing":  # which has sealed some days by then
            assert _sound_contents(url) == before
        work(url, room[2])
        _require_done(url, name, before)
    assert refused >= 1
    url = _put(disk, body)
    with disk.read_only(), pytest.raises(StoreUnusable, match=r"(?s)wardian.*(free|mend|check)"):
        work(url, room[2])
    assert (disk.folder / "wardian.db").read_bytes() == body
    work(url, room[2])
    _require_done(url, name, before)


def _require_done(url: str, name: str, before: dict[str, str]) -> None:
    """What was asked for is there, whole, and what was there before is there as it was."""
    found = _sound_contents(url)
    if name == "commit":
        rows = {key: int(total.split(":")[0]) for key, total in found.items()}
        assert rows["reading"] == int(before["reading"].split(":")[0]) + len(BATCH)
    elif name == "sealing":
        assert found["reading"].startswith("0:")
    else:
        assert found == before
    folder = Path(url.removeprefix("sqlite:///")).parent
    if name == "backup":
        assert inspect_backup(folder / "new.zip").tables == before
    if name == "move":
        assert contents_at(url.replace("wardian.db", "moved.db")) == before
    if name == "migration":
        connection = sqlite3.connect(folder / "wardian.db")
        assert connection.execute("SELECT version_num FROM alembic_version").fetchone() == (head_revision(),)
        connection.close()
    leftovers = {path.name for path in folder.iterdir()} - {"wardian.db", "new.zip", "moved.db", "ballast"}
    assert {left for left in leftovers if not left.startswith(("wardian.db", "moved.db-"))} == set()
