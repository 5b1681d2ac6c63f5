"""Backups: taken while the service runs, tried by restoring them, rotated; and put back whole or not at all."""

import re
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from importlib import metadata
from pathlib import Path
from typing import Any, Final, TypeAlias

import sqlalchemy as sa
from sqlmodel import Session

from service.errors import BadUse, StoreDamaged, StoreNewer
from service.model import Site, table_of
from service.store.checksums import channels_with_readings, sum_store
from service.store.container import Manifest, extract, read_manifest, write_container
from service.store.engine import Store, head_revision, known_revisions, open_store
from service.store.files import file_digest, filling, into_one_file, remove, sync_folder, temporary, writing
from service.store.moving import copy_channel, copy_facts

Told: TypeAlias = Callable[[str, float], None]
"""Told what is being done, and what share of that is done, from 0 to 1."""
DUE_AFTER: Final = timedelta(hours=23, minutes=30)
_NAME: Final = re.compile(r"wardian-(\d{8}T\d{6}Z)\.zip")
_STAMP: Final = "%Y%m%dT%H%M%SZ"
_PAGES: Final = 4_096
_SNAPSHOT, _PART, _TRIAL = ".snapshot", ".part", ".trial"


def _silent(_doing: str, _share: float) -> None:
    """Tell nobody."""


def back_up(store: Store, path: Path, told: Told = _silent) -> Manifest:
    """Write a backup of one state of the store, while others go on writing to it, and try it by restoring it.

    Parameters
    ----------
    store : Store
    path : Path
        Where it is written; it appears there when it is whole and tried.
    told : callable

    Raises
    ------
    BadUse
        When there is a file of that name.
    StoreFull
        When there is no room for it; nothing is left of it.
    StoreDamaged
        When what can be read back from it is not what the store holds.
    """
    if path.exists():
        raise BadUse(f"{path}: is there already; name a new file")
    with writing(path.parent):
        path.parent.mkdir(parents=True, exist_ok=True)
    snapshot, part, trial = (path.with_name(path.name + kind) for kind in (_SNAPSHOT, _PART, _TRIAL))
    with temporary(snapshot), temporary(part), temporary(trial):
        manifest = _snapshot(store, snapshot, told)
        with writing(path):
            write_container(part, snapshot, manifest, lambda share: told("packing", share))
        remove(snapshot)
        _try(part, trial, manifest, told)
        with writing(path):
            part.replace(path)
            sync_folder(path.parent)
    return manifest


def _snapshot(store: Store, path: Path, told: Told) -> Manifest:
    """Write one state of the store into a SQLite database, and return what it is."""
    with store.read() as session:
        # The first query decides which state all later ones see.
        revision = str(session.execute(sa.text("SELECT version_num FROM alembic_version")).scalar_one())
        site = session.execute(sa.select(table_of(Site).c.name)).scalar()
        with filling(path):
            if store.is_sqlite:
                _copy_pages(session, path, told)
            else:
                _copy_rows(session, path, told)
            into_one_file(path)
        told("summing up", 0.0)
        sums = {name: str(total) for name, total in sum_store(session).items()}
    return Manifest(
        version=metadata.version("wardian"),
        revision=revision,
        made_at=datetime.now(UTC).isoformat(timespec="seconds"),
        site=site or "",
        database="sqlite" if store.is_sqlite else "postgresql",
        size=path.stat().st_size,
        sha256=file_digest(path),
        tables=sums,
    )


def _copy_pages(session: Session, path: Path, told: Told) -> None:
    driver: Any = session.connection().connection.driver_connection
    with closing(sqlite3.connect(path)) as target:
        # The session's own transaction holds the state, so pages that change meanwhile do not start it anew.
        driver.backup(
            target, pages=_PAGES, progress=lambda _, left, total: told("copying", 1 - left / max(total, 1)), sleep=0
        )


def _copy_rows(session: Session, path: Path, told: Told) -> None:
    target = open_store(f"sqlite:///{path}")
    try:
        with target.write() as filled:
            filled.connection().exec_driver_sql("DELETE FROM counter")
            copy_facts(session, filled)
        channels = list(channels_with_readings(session))
        for number, channel_id in enumerate(channels):
            with target.write() as filled:
                copy_channel(session, filled, channel_id, lambda _rows: None)
            told("copying", (number + 1) / len(channels))
    finally:
        target.close()


def _try(part: Path, trial: Path, manifest: Manifest, told: Told) -> None:
    """Restore a backup beside the others and compare it with what was put in."""
    if read_manifest(part) != manifest:
        raise StoreDamaged(f"{part}: reads back other than it was written; check the disk")
    with filling(trial):
        extract(part, trial, manifest, lambda share: told("trying", share))
    require_sound(trial, manifest)


def require_sound(database: Path, manifest: Manifest) -> None:
    """Compare a database that came out of a backup with what the backup's manifest says.

    Where the backup's tables are of an older version, their rows are counted, and they are brought up to date.

    Raises
    ------
    StoreDamaged
        Naming the table that differs.
    """
    with closing(sqlite3.connect(database)) as connection:
        said = [row[0] for row in connection.execute("PRAGMA quick_check(1)")]
        # Before migrations put rows of their own into it.
        older = None if manifest.revision == head_revision() or said != ["ok"] else _rows_of(connection)
    if said != ["ok"]:
        raise StoreDamaged(f"the database in the backup is not sound ({said[0]}); use another backup")
    store = open_store(f"sqlite:///{database}")
    try:
        with store.read() as session:
            found = sum_store(session)
    finally:
        store.close()
    for name in manifest.tables.keys() & found.keys():
        rows = found[name].rows if older is None else older.get(name, 0)
        same = manifest.tables[name] == str(found[name]) if older is None else manifest.rows(name) == rows
        if not same:
            raise StoreDamaged(
                f"table {name} of the backup: {rows} rows, where {manifest.rows(name)} were put in, "
                "or other contents; use another backup"
            )


def _rows_of(connection: sqlite3.Connection) -> dict[str, int]:
    """Count the rows of each table."""
    names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    quoted = {name: name.replace('"', '""') for name in names}
    return {name: connection.execute(f'SELECT count(*) FROM "{q}"').fetchone()[0] for name, q in quoted.items()}  # noqa: S608 - a name, in quotes


def inspect_backup(path: Path) -> Manifest:
    """Check that a backup is whole and can be taken by this version, and return what it says of itself.

    Raises
    ------
    BadUse, StoreForeign, StoreDamaged, StoreNewer
        In a sentence.
    """
    manifest = read_manifest(path)
    if manifest.revision not in known_revisions():
        raise StoreNewer(
            f"{path}: was made by a newer version of Wardian ({manifest.version}, revision {manifest.revision}); "
            "install that version first"
        )
    return manifest


def back_up_and_rotate(store: Store, folder: Path, keep: int, now: datetime) -> Path:
    """Write a backup into a folder, and remove the oldest beyond `keep`; files of other names are left alone."""
    for part in (_SNAPSHOT, _PART, _TRIAL):
        for left in folder.glob(f"wardian-*.zip{part}*"):
            left.unlink(missing_ok=True)
    path = folder / f"wardian-{now.astimezone(UTC):{_STAMP}}.zip"
    back_up(store, path)
    for old in backups_in(folder)[keep:]:
        old.unlink(missing_ok=True)
    return path


def backups_in(folder: Path) -> list[Path]:
    """Return the backups that were written by the clock, the newest first."""
    if not folder.is_dir():
        return []
    return sorted((path for path in folder.iterdir() if _NAME.fullmatch(path.name)), reverse=True)


def backup_age(folder: Path, now: datetime) -> timedelta | None:
    """Return how long ago the newest backup of a folder was taken, None when there is none."""
    newest = backups_in(folder)[:1]
    match = _NAME.fullmatch(newest[0].name) if newest else None
    if match is None:
        return None
    return now - datetime.strptime(match[1], _STAMP).replace(tzinfo=UTC)


def is_due(folder: Path, now: datetime) -> bool:
    """Whether the day's backup is still to be taken."""
    age = backup_age(folder, now)
    return age is None or age >= DUE_AFTER
