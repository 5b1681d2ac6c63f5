"""Opening, refusing and filling a database."""

import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlmodel import SQLModel

from service.errors import SettingInvalid, StoreForeign, StoreFull, StoreNewer, StoreUnusable
from service.model import Flag
from service.store.engine import Store, open_store
from service.store.readings import add_readings, newest_readings, read_readings
from tests.builders import NOON_MS, a_probe, a_site


def test_the_database_commits_to_disk_and_clusters_readings(tmp_path: Path) -> None:
    store = open_store(f"sqlite:///{tmp_path}/w.db")
    with store.write() as session:
        connection = session.connection()
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
        made = connection.exec_driver_sql("SELECT sql FROM sqlite_master WHERE name = 'reading'").scalar()
    assert "PRIMARY KEY (channel_id, at_ms)" in made
    assert made.rstrip().endswith("WITHOUT ROWID")
    store.close()


def test_the_migrations_make_just_the_tables_of_the_model(tmp_path: Path) -> None:
    open_store(f"sqlite:///{tmp_path}/w.db").close()
    engine = sa.create_engine(f"sqlite:///{tmp_path}/w.db")
    with engine.connect() as connection:
        difference = compare_metadata(MigrationContext.configure(connection), SQLModel.metadata)
    engine.dispose()
    assert [change for change in difference if change[0] != "remove_table"] == []


def test_a_database_of_a_newer_version_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "w.db"
    open_store(f"sqlite:///{path}").close()
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.close()
    with pytest.raises(StoreNewer, match=r"w\.db: made by a newer version of Wardian \(revision 9999\)"):
        open_store(f"sqlite:///{path}")


def test_another_programs_database_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE invoices (id INTEGER)")
    connection.close()
    with pytest.raises(StoreForeign, match="tables of another program"):
        open_store(f"sqlite:///{path}")
    with sqlite3.connect(path) as connection:
        assert [row[0] for row in connection.execute("SELECT name FROM sqlite_master")] == ["invoices"]
    connection.close()


def test_a_file_that_is_no_database_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("basking lamp bought in spring " * 100, encoding="utf-8")
    with pytest.raises(StoreForeign, match="not a database"):
        open_store(f"sqlite:///{path}")
    assert path.read_text(encoding="utf-8").startswith("basking lamp")


@pytest.mark.parametrize("url", ["nonsense", "mysql://localhost/x", "oracle+thing://x"])
def test_an_unusable_address_names_the_setting(url: str) -> None:
    with pytest.raises(SettingInvalid, match="WARDIAN_DATABASE"):
        open_store(url)


def test_a_folder_in_place_of_the_file_is_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "w.db").mkdir()
    with pytest.raises(StoreUnusable, match=r"w\.db"):
        open_store(f"sqlite:///{tmp_path}/w.db")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 2 MiB: a real full disk. Needs the right to mount."""
    folder = tmp_path / "small"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder)], capture_output=True, text=True, check=False
    )
    if mounted.returncode != 0:
        pytest.fail(f"cannot mount a small disk ({mounted.stderr.strip()}): run the tests as root")
    yield folder
    subprocess.run(["umount", "--lazy", str(folder)], check=True)


def test_a_full_disk_stores_nothing_of_the_batch_and_goes_on_when_there_is_room(small_disk: Path) -> None:
    store = open_store(f"sqlite:///{small_disk}/w.db")
    with store.write() as session:
        a_site(session)
        a_probe(session, "spot")
    ballast = small_disk / "ballast"
    ballast.write_bytes(b"x" * (shutil.disk_usage(small_disk).free - 64 * 1024))
    rows = [(1, NOON_MS + n, 20.0, int(Flag.DEVICE_CLOCK)) for n in range(50_000)]
    with pytest.raises(StoreFull, match="free space"), store.write() as session:
        add_readings(session, rows)
    with store.read() as session:
        assert len(read_readings(session, 1, 0)) == 0
        assert newest_readings(session) == []
    ballast.unlink()
    with store.write() as session:
        assert add_readings(session, rows[:5_000]) == 5_000
    store.close()


def test_a_failed_transaction_leaves_nothing_behind(store: Store) -> None:
    with store.write() as session:
        a_site(session)
        a_probe(session, "spot")

    def fail_half_way() -> None:
        with store.write() as session:
            add_readings(session, [(1, NOON_MS, 20.0, 1)])
            raise ValueError("in the middle")

    with pytest.raises(ValueError, match="in the middle"):
        fail_half_way()
    with store.read() as session:
        assert len(read_readings(session, 1, 0)) == 0
