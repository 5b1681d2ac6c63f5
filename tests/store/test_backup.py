"""Backups are whole, tried and rotated; what is no backup is refused in a sentence."""

import json
import random
import shutil
import sqlite3
import subprocess
import threading
import zipfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.errors import BadUse, StoreDamaged, StoreForeign, StoreFull, StoreNewer, WardianError
from service.store.backup import back_up, back_up_and_rotate, backups_in, inspect_backup, is_due
from service.store.engine import Store
from service.store.readings import add_readings
from tests.builders import NOON_MS
from tests.empty_store import sqlite_store
from tests.store_furnished import contents, furnish

ROWS = 3 * 720
"""Two and a half days of three channels are not sealed yet."""


@pytest.fixture
def room(store: Store) -> Store:
    furnish(store)
    return store


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    folder = tmp_path_factory.mktemp("whole")
    store = sqlite_store(folder / "wardian.db")
    furnish(store)
    back_up(store, folder / "room.zip")
    store.close()
    return (folder / "room.zip").read_bytes()


@pytest.fixture
def backup(whole: bytes, tmp_path: Path) -> Path:
    path = tmp_path / "room.zip"
    path.write_bytes(whole)
    return path


def test_a_backup_says_what_it_holds_and_leaves_nothing_beside_it(room: Store, tmp_path: Path) -> None:
    backup = tmp_path / "backups" / "room.zip"
    back_up(room, backup)
    manifest = inspect_backup(backup)
    assert manifest.tables == contents(room)
    assert (manifest.rows("reading"), manifest.rows("reading_block")) == (ROWS, 7)
    assert manifest.site == "Test house"
    assert manifest.database == ("sqlite" if room.is_sqlite else "postgresql")
    assert [path.name for path in backup.parent.iterdir()] == ["room.zip"]


def test_any_unzip_program_opens_a_backup(backup: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(backup) as archive:
        assert archive.testzip() is None
        archive.extract("wardian.db", tmp_path)
    connection = sqlite3.connect(tmp_path / "wardian.db")
    assert connection.execute("SELECT count(*) FROM reading").fetchone() == (ROWS,)
    connection.close()


def test_a_backup_is_of_one_moment_while_others_write(room: Store, tmp_path: Path) -> None:
    stop, written = threading.Event(), []

    def write() -> None:
        # Each transaction stores one reading of both channels: in no state has one of them more than the other.
        while not stop.is_set():
            at = NOON_MS + 1 + len(written)
            with room.write() as session:
                add_readings(session, [(2, at, 1.0, 1), (3, at, 1.0, 1)])
            written.append(at)

    thread = threading.Thread(target=write)
    thread.start()
    try:
        back_up(room, tmp_path / "room.zip")
    finally:
        stop.set()
        thread.join()
    assert written
    with zipfile.ZipFile(tmp_path / "room.zip") as archive:
        archive.extract("wardian.db", tmp_path)
    connection = sqlite3.connect(tmp_path / "wardian.db")
    counts = connection.execute("SELECT count(*) FROM reading WHERE channel_id > 1 GROUP BY channel_id").fetchall()
    writes = connection.execute("SELECT value FROM counter WHERE name = 'write'").fetchone()[0]
    states = connection.execute("SELECT max(write) FROM channel_state").fetchone()[0]
    connection.close()
    assert counts[0] == counts[1]
    assert writes >= states


def test_a_file_that_is_there_is_not_written_over(room: Store, tmp_path: Path) -> None:
    (tmp_path / "room.zip").write_text("my notes", encoding="utf-8")
    with pytest.raises(BadUse, match=r"room\.zip: is there already; name a new file"):
        back_up(room, tmp_path / "room.zip")
    assert (tmp_path / "room.zip").read_text(encoding="utf-8") == "my notes"


def test_a_flipped_bit_is_found_wherever_it_is(backup: Path, whole: bytes) -> None:
    chance = random.Random(4)  # noqa: S311 - places, no secret
    ends = [*range(64), *range(len(whole) - 200, len(whole))]
    for place in [*ends, *(chance.randrange(len(whole)) for _ in range(60))]:
        hurt = bytearray(whole)
        hurt[place] ^= 1 << chance.randrange(8)
        backup.write_bytes(hurt)
        with pytest.raises((StoreDamaged, StoreForeign), match=r"room\.zip: "):
            inspect_backup(backup)
    backup.write_bytes(whole)
    inspect_backup(backup)


def test_a_backup_that_was_cut_short_is_found(backup: Path, whole: bytes) -> None:
    for length in (0, 1, 3, 4, 50, 71, 72, len(whole) // 2, len(whole) - 71, len(whole) - 1):
        backup.write_bytes(whole[:length])
        with pytest.raises((StoreDamaged, StoreForeign)):
            inspect_backup(backup)
    backup.write_bytes(whole + b"\0")
    with pytest.raises(StoreDamaged, match="damaged or cut short"):
        inspect_backup(backup)


def test_what_is_no_backup_is_named_as_such(tmp_path: Path) -> None:
    letter, archive, none = tmp_path / "letter.txt", tmp_path / "photos.zip", tmp_path / "none.zip"
    letter.write_text("Dear vet", encoding="utf-8")
    with zipfile.ZipFile(archive, "w") as file:
        file.writestr("frog.txt", "green")
    with pytest.raises(StoreForeign, match=r"letter\.txt: is no backup of Wardian"):
        inspect_backup(letter)
    with pytest.raises(StoreForeign, match="an archive of something else than a Wardian room"):
        inspect_backup(archive)
    with pytest.raises(BadUse, match=r"none\.zip: cannot be read"):
        inspect_backup(none)


@pytest.mark.parametrize(
    ("change", "refusal", "words"),
    [
        ({"format": 2}, StoreNewer, "written by a newer version"),
        ({"revision": "9999"}, StoreNewer, "made by a newer version of Wardian"),
        ({"program": "another"}, StoreForeign, "is no backup of Wardian"),
        ({"colour": "green"}, StoreForeign, "not as Wardian writes it"),
    ],
)
def test_a_newer_or_strange_backup_is_refused(
    backup: Path, tmp_path: Path, change: dict, refusal: type[WardianError], words: str
) -> None:
    with pytest.raises(refusal, match=words):
        inspect_backup(rewritten(backup, tmp_path, change))


def rewritten(backup: Path, folder: Path, change: dict) -> Path:
    """Return the same backup with another manifest, its digest in order."""
    from hashlib import sha256  # noqa: PLC0415 - for this alone

    changed = folder / "changed.zip"
    with zipfile.ZipFile(backup) as old, zipfile.ZipFile(changed, "w") as new:
        new.writestr("wardian.db", old.read("wardian.db"))
        new.writestr("manifest.json", json.dumps(json.loads(old.read("manifest.json")) | change))
        new.comment = b"sha256:" + bytes(64)
    body = changed.read_bytes()[:-71]
    changed.write_bytes(body + b"sha256:" + sha256(body).hexdigest().encode())
    return changed


def test_the_clocks_backups_are_rotated_and_other_files_left_alone(room: Store, tmp_path: Path) -> None:
    folder, noon = tmp_path / "daily", datetime(2026, 3, 2, 12, tzinfo=UTC)
    folder.mkdir()
    (folder / "wardian-by-hand.zip").write_text("kept", encoding="utf-8")
    (folder / "wardian-20260101T000000Z.zip.part").write_text("broken off", encoding="utf-8")
    assert is_due(folder, noon)
    for day in range(4):
        back_up_and_rotate(room, folder, 2, noon + timedelta(days=day))
    kept = ["wardian-20260304T120000Z.zip", "wardian-20260305T120000Z.zip"]
    assert [path.name for path in backups_in(folder)] == kept[::-1]
    assert sorted(path.name for path in folder.iterdir()) == [*kept, "wardian-by-hand.zip"]
    assert not is_due(folder, noon + timedelta(days=3, hours=1))
    assert is_due(folder, noon + timedelta(days=4))


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 4 MiB: a real full disk. Needs the right to mount."""
    folder = tmp_path / "small"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(folder)]
    mounted = subprocess.run(command, capture_output=True, text=True, check=False)
    if mounted.returncode != 0:
        pytest.fail(f"cannot mount a small disk ({mounted.stderr.strip()}): run the tests as root")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk_leaves_no_backup_and_no_rest_of_one_at_whatever_step(room: Store, small_disk: Path) -> None:
    back_up(room, small_disk / "room.zip")
    (small_disk / "room.zip").unlink()
    ballast, refused = small_disk / "ballast", 0
    for free in range(0, 2_000_000, 100_000):
        ballast.write_bytes(b"")
        ballast.write_bytes(b"x" * (shutil.disk_usage(small_disk).free - free))
        try:
            back_up(room, small_disk / "room.zip")
        except StoreFull as exc:
            refused += 1
            assert "free space" in str(exc)  # noqa: PT017 - at most free places it must raise, at some it must not
            assert [path.name for path in small_disk.iterdir()] == ["ballast"]
        else:
            break
    assert refused >= 3
    inspect_backup(small_disk / "room.zip")
