"""A backup comes back whole, into either database; what cannot be restored changes nothing."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from service.errors import Refused, StoreDamaged
from service.settings import Settings
from service.store.backup import back_up, inspect_backup
from service.store.container import Manifest, extract, write_container
from service.store.engine import Store, open_store
from service.store.files import file_digest, into_one_file
from service.store.readings import add_readings
from service.store.restoring import restore
from tests.builders import NOON_MS, a_probe
from tests.empty_store import sqlite_store
from tests.store_furnished import contents, contents_at, furnish, migrate


def _silent(_doing: str, _share: float) -> None:
    """Tell nobody."""


def _never(_manifest: Manifest, site: str) -> bool:
    raise AssertionError(f"asked whether to replace {site!r}, where there is nothing")


def _yes(_manifest: Manifest, _site: str) -> bool:
    return True


@pytest.fixture
def room(store: Store) -> Store:
    furnish(store)
    return store


@pytest.fixture
def backup(room: Store, tmp_path: Path) -> Path:
    path = tmp_path / "room.zip"
    back_up(room, path)
    return path


def test_a_backup_comes_back_into_an_empty_place_of_either_kind(
    room: Store, backup: Path, tmp_path: Path, new_postgresql: Callable[[], str]
) -> None:
    for url in (f"sqlite:///{tmp_path}/elsewhere/wardian.db", new_postgresql()):
        assert restore(backup, url, _never, _silent) is None
        assert contents_at(url) == contents(room)
    assert sorted(path.name for path in (tmp_path / "elsewhere").iterdir() if "-" not in path.name) == ["wardian.db"]


def test_restores_in_one_second_keep_each_room_that_they_replace(backup: Path, tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path}/elsewhere/wardian.db"
    kept = [restore(backup, url, _yes, _silent) for _ in range(6)]
    assert len({path for path in kept if path is not None and path.exists()}) == 5


def test_a_restored_room_takes_new_rows(backup: Path, new_postgresql: Callable[[], str]) -> None:
    url = new_postgresql()
    restore(backup, url, _never, _silent)
    store = open_store(url)
    with store.write() as session:
        (channel,) = a_probe(session, "new")
        assert add_readings(session, [(channel, NOON_MS, 20.0, 1), (1, NOON_MS + 40 * 86_400_000, 1.0, 1)]) == 2
    store.close()


def test_the_room_that_is_there_is_replaced_after_a_question(room: Store, backup: Path, settings: Settings) -> None:
    before, asked = contents(room), []
    with room.write() as session:
        add_readings(session, [(1, NOON_MS + 7, 1.0, 1)])
    room.close()

    def no(manifest: Manifest, site: str) -> bool:
        asked.append((manifest.site, site))
        return False

    with pytest.raises(Refused, match="nothing was changed"):
        restore(backup, settings.database_url, no, _silent)
    assert asked == [("Test house", "Test house")]
    assert contents_at(settings.database_url) != before
    kept = restore(backup, settings.database_url, _yes, _silent)
    assert contents_at(settings.database_url) == before
    assert (kept is not None) == room.is_sqlite
    if kept is not None:
        assert contents_at(f"sqlite:///{kept}") != before


def test_a_room_that_is_in_use_is_left_as_it_was(room: Store, backup: Path, settings: Settings) -> None:
    with room.write() as session:
        add_readings(session, [(1, NOON_MS + 7, 1.0, 1)])
    before = contents(room)
    with pytest.raises(Refused, match=r"is in use: stop Wardian, then restore; nothing was changed"):
        restore(backup, settings.database_url, _yes, _silent)
    assert contents(room) == before
    with room.write() as session:
        assert add_readings(session, [(1, NOON_MS + 8, 1.0, 1)]) == 1


@pytest.mark.parametrize("hurt", ["torn", "no database", "a log is left"])
def test_a_damaged_database_can_be_replaced(tmp_path: Path, hurt: str) -> None:
    path = tmp_path / "data" / "wardian.db"
    store = sqlite_store(path)
    furnish(store)
    back_up(store, tmp_path / "room.zip")
    expected = contents(store)
    store.close()
    if hurt == "torn":
        pages = bytearray(path.read_bytes())
        pages[4096 * 3 : 4096 * 40] = bytes(4096 * 37)
        path.write_bytes(pages)
    else:
        path.write_bytes(b"\x01" * 20_000)
    if hurt == "a log is left":
        path.with_name("wardian.db-wal").write_bytes(b"\x02" * 10_000)
    kept = restore(tmp_path / "room.zip", f"sqlite:///{path}", _yes, _silent)
    assert kept is not None
    assert contents_at(f"sqlite:///{path}") == expected


def test_a_log_that_was_left_without_its_database_is_not_taken_for_the_new_ones(tmp_path: Path) -> None:
    store = sqlite_store(tmp_path / "wardian.db")
    furnish(store)
    back_up(store, tmp_path / "room.zip")
    expected = contents(store)
    log = tmp_path / "elsewhere.db-wal"
    log.write_bytes((tmp_path / "wardian.db-wal").read_bytes())
    store.close()
    restore(tmp_path / "room.zip", f"sqlite:///{tmp_path}/elsewhere.db", _never, _silent)
    assert contents_at(f"sqlite:///{tmp_path}/elsewhere.db") == expected


def _repacked(backup: Path, folder: Path, change: Callable[[Path], None], revision: str | None = None) -> Path:
    """Return a backup whose digests are in order and whose database was changed before they were taken."""
    manifest, database, changed = inspect_backup(backup), folder / "inside.db", folder / "changed.zip"
    extract(backup, database, manifest)
    change(database)
    into_one_file(database)
    size, digest, tables = database.stat().st_size, file_digest(database), manifest.tables
    if revision is not None:
        # As that version counted: migrations since have put rows into it.
        with closing(sqlite3.connect(database)) as connection:
            (counters,) = connection.execute("SELECT count(*) FROM counter").fetchone()
        tables = tables | {"counter": f"{counters}:{0:032x}"}
    told = replace(manifest, size=size, sha256=digest, revision=revision or manifest.revision, tables=tables)
    write_container(changed, database, told)
    return changed


def test_a_backup_of_older_tables_is_brought_up_to_date(tmp_path: Path) -> None:
    store = sqlite_store(tmp_path / "wardian.db")
    furnish(store, sealed=False)
    back_up(store, tmp_path / "room.zip")
    expected = contents(store)
    store.close()

    def age(database: Path) -> None:
        migrate(f"sqlite:///{database}", "0006")

    old = _repacked(tmp_path / "room.zip", tmp_path, age, "0006")
    restore(old, f"sqlite:///{tmp_path}/elsewhere.db", _never, _silent)
    found = contents_at(f"sqlite:///{tmp_path}/elsewhere.db")
    assert {name: total.split(":")[0] for name, total in found.items()} == {
        name: total.split(":")[0] for name, total in expected.items()
    }
    assert found["reading"] == expected["reading"]


def test_a_backup_of_older_tables_that_lacks_a_row_is_refused(tmp_path: Path) -> None:
    store = sqlite_store(tmp_path / "wardian.db")
    furnish(store, sealed=False)
    back_up(store, tmp_path / "room.zip")
    store.close()

    def age(database: Path) -> None:
        migrate(f"sqlite:///{database}", "0010")
        with closing(sqlite3.connect(database)) as connection:
            connection.execute("DELETE FROM calibration WHERE id = (SELECT max(id) FROM calibration)")
            connection.commit()

    old = _repacked(tmp_path / "room.zip", tmp_path, age, "0010")
    with pytest.raises(StoreDamaged, match=r"table calibration of the backup: \d+ rows, where \d+ were put in"):
        restore(old, f"sqlite:///{tmp_path}/elsewhere.db", _never, _silent)
    assert not (tmp_path / "elsewhere.db").exists()


def test_what_does_not_agree_with_its_manifest_is_refused_and_changes_nothing(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path}/wardian.db"
    store = open_store(url)
    furnish(store)
    back_up(store, tmp_path / "room.zip")
    store.close()
    before = (tmp_path / "wardian.db").read_bytes()

    def lose(database: Path) -> None:
        connection = sqlite3.connect(database)
        connection.execute("DELETE FROM reading WHERE channel_id = 2 AND at_ms = (SELECT max(at_ms) FROM reading)")
        connection.commit()
        connection.close()

    with pytest.raises(StoreDamaged, match=r"table reading of the backup: 2159 rows, where 2160 were put in"):
        restore(_repacked(tmp_path / "room.zip", tmp_path, lose), url, _yes, _silent)
    assert (tmp_path / "wardian.db").read_bytes() == before
    assert not [path.name for path in tmp_path.iterdir() if "restoring" in path.name]
