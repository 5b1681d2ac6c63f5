"""An upgrade with its migration, and the way back: the backup holds the older room as the older version left it."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from service.store.backup import back_up, inspect_backup
from service.store.container import extract, write_container
from service.store.engine import open_store
from service.store.files import file_digest, into_one_file
from tests.store_furnished import contents_at, furnish, migrate

OLDER = "0008"


def rows(database: Path) -> list[str]:
    """Return everything that a file holds, as the statements that would make it anew."""
    with closing(sqlite3.connect(database)) as connection:
        return list(connection.iterdump())


def an_older_room(database: Path) -> None:
    """Leave a room as a version with older tables left it."""
    store = open_store(f"sqlite:///{database}")
    furnish(store, channels=2, days=2, sealed=False)
    store.close()
    migrate(f"sqlite:///{database}", OLDER)
    into_one_file(database)


def its_backup(database: Path, backup: Path) -> None:
    """Write the backup that the older version would: the same container around its own tables."""
    trial = backup.with_suffix(".newer")
    newer = open_store(f"sqlite:///{backup.with_suffix('.db')}")
    back_up(newer, trial)
    newer.close()
    size, digest = database.stat().st_size, file_digest(database)
    manifest = replace(inspect_backup(trial), size=size, sha256=digest, revision=OLDER)
    write_container(backup, database, manifest)


def test_after_an_upgrade_the_backup_leads_back_to_the_older_room_as_it_was(tmp_path: Path) -> None:
    database, backup = tmp_path / "wardian.db", tmp_path / "before-upgrade.zip"
    an_older_room(database)
    before = rows(database)
    its_backup(database, backup)

    # The new version starts, and more comes in.
    store = open_store(f"sqlite:///{database}")
    with store.read() as session:
        found = session.connection().exec_driver_sql("SELECT version_num FROM alembic_version").scalar_one()
        assert found > OLDER
    store.close()
    upgraded = rows(database)
    assert upgraded != before
    readings = [line for line in before if line.startswith('INSERT INTO "reading"')]
    assert readings
    assert [line for line in upgraded if line.startswith('INSERT INTO "reading"')] == readings

    # The way back: what the older version's restore takes out of its backup is what it had.
    restored = tmp_path / "restored.db"
    extract(backup, restored, inspect_backup(backup))
    assert rows(restored) == before
    # And forward once more, from there.
    assert contents_at(f"sqlite:///{restored}")["reading"] == contents_at(f"sqlite:///{database}")["reading"]
