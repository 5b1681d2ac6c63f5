"""A backup put back in place of a database: at each moment the database is wholly the old one or wholly the new one."""

import os
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from itertools import chain, count
from pathlib import Path
from typing import Final, TypeAlias

import sqlalchemy as sa
from sqlalchemy.engine import make_url
from sqlalchemy.exc import OperationalError
from sqlalchemy.pool import NullPool
from sqlmodel import Session

from service.errors import Refused, StoreDamaged, StoreUnusable
from service.model import Reading, Site, table_of
from service.store.backup import Told, inspect_backup, require_sound
from service.store.checksums import channels_with_readings, sum_store
from service.store.container import Manifest, extract
from service.store.engine import UNFINISHED, Store, describe, open_store
from service.store.files import filling, held, into_one_file, sqlite_path, sync_folder, temporary, writing
from service.store.moving import clear, copy_channel, copy_facts
from service.store.partitions import make_for
from service.store.readings import DAY_MS

Agreed: TypeAlias = Callable[[Manifest, str], bool]
"""Asked, with what the backup says of itself and the name of the site that it would replace, whether to go on."""
_LEAVING_S: Final = 3.0
_STAMP: Final = "%Y%m%dT%H%M%SZ"


def restore(path: Path, url: str, agreed: Agreed, told: Told) -> Path | None:
    """Put a backup in place of a database, whichever of the two kinds that is.

    Parameters
    ----------
    path : Path
    url : str
        SQLAlchemy URL of the database; it need not be there yet.
    agreed : callable
        Asked before a room is replaced; not where there is none.
    told : callable

    Returns
    -------
    Path or None
        Where the replaced database is kept, where it is a file.

    Raises
    ------
    StoreForeign, StoreDamaged, StoreNewer
        The backup cannot be taken; nothing is changed.
    Refused
        It was not agreed to, or the database is in use; nothing is changed.
    """
    manifest = inspect_backup(path)
    target = sqlite_path(url)
    new = path.with_name(path.name + ".restoring") if target is None else target.with_name(target.name + ".restoring")
    with writing(new.parent):
        new.parent.mkdir(parents=True, exist_ok=True)
    with temporary(new):
        with filling(new):
            extract(path, new, manifest, lambda share: told("unpacking", share))
        told("comparing", 0.0)
        require_sound(new, manifest)
        into_one_file(new)
        there = _site_of_file(target) if target is not None else _site_of_store(url)
        if there is not None and not agreed(manifest, there):
            raise Refused("nothing was changed")
        if target is not None:
            return _replace_file(new, target)
        _replace_rows(new, url, told)
        return None


def _site_of_file(target: Path) -> str | None:
    """Name the site in a file that may be damaged; None when there is nothing to lose."""
    if not target.exists():
        return None
    try:
        with closing(sqlite3.connect(f"file:{target}?mode=ro", uri=True)) as connection:
            row = connection.execute("SELECT name FROM site").fetchone()
            rows = connection.execute("SELECT count(*) FROM (SELECT 1 FROM reading LIMIT 1)").fetchone()[0]
    except sqlite3.Error:
        return ""
    return str(row[0]) if row else "" if rows else None


def _site_of_store(url: str) -> str | None:
    store = open_store(url, unfinished=True)
    try:
        with store.read() as session:
            name = session.execute(sa.select(table_of(Site).c.name)).scalar()
            rows = session.execute(sa.select(table_of(Reading).c.at_ms).limit(1)).scalar()
    finally:
        store.close()
    return name if name is not None else "" if rows is not None else None


def _replace_file(new: Path, target: Path) -> Path | None:
    """Put the new file in the old one's place in one step, and keep the old one beside it."""
    if not target.exists():
        with writing(target):
            _set_aside_leftovers(target, target)
            new.replace(target)
            sync_folder(target.parent)
        return None
    kept = _unused(target.with_name(f"{target.name}.before-{datetime.now(UTC):{_STAMP}}"))
    with closing(held(target, "restore")), writing(target):
        os.link(target, kept)
        _set_aside_leftovers(target, kept)
        new.replace(target)
        sync_folder(target.parent)
    return kept


def _unused(path: Path) -> Path:
    """Return the path, or with a number behind it what is not there yet: two restores may fall into one second."""
    numbered = (path.with_name(f"{path.name}-{number}") for number in count(2))
    return next(one for one in chain([path], numbered) if not one.exists())


def _set_aside_leftovers(target: Path, kept: Path) -> None:
    """Move away the log of a database that was not closed: SQLite would take it for the new one's."""
    log = target.with_name(f"{target.name}-wal")
    if log.exists():
        log.replace(kept.with_name(f"{kept.name}-wal"))
    target.with_name(f"{target.name}-shm").unlink(missing_ok=True)


def _replace_rows(new: Path, url: str, told: Told) -> None:
    """Replace what a PostgreSQL database holds, in one transaction that compares before it commits."""
    source, target = open_store(f"sqlite:///{new}"), open_store(url, unfinished=True)
    try:
        with source.read() as session:
            _make_partitions(session, target)
            target.close()
            _require_unused(url)
            with target.write() as filled:
                # What holds the tables longer than this is in use.
                filled.connection().exec_driver_sql("SET LOCAL lock_timeout = '5s'")
                filled.connection().exec_driver_sql(f"DROP TABLE IF EXISTS {UNFINISHED}")
                _fill(session, filled, told)
                _require_equal(session, filled)
    finally:
        source.close()
        target.close()


def _make_partitions(session: Session, target: Store) -> None:
    """Make them beforehand: while the tables are being replaced, nobody could."""
    days = session.execute(sa.text(f"SELECT DISTINCT at_ms / {DAY_MS} FROM reading")).scalars()  # noqa: S608 - a number
    with target.write() as writer:
        make_for(writer.connection(), [int(day) * DAY_MS for day in days])


def _fill(source: Session, target: Session, told: Told) -> None:
    clear(target)
    copy_facts(source, target)
    channels = list(channels_with_readings(source))
    for number, channel_id in enumerate(channels):
        copy_channel(source, target, channel_id, lambda _rows: None)
        told("restoring", (number + 1) / len(channels))


def _require_equal(source: Session, target: Session) -> None:
    expected, found = sum_store(source), sum_store(target)
    for name, total in expected.items():
        if found[name] != total:
            raise StoreDamaged(
                f"table {name}: {found[name].rows} rows came into the database, {total.rows} are in the backup, "
                "or other contents; nothing was changed"
            )


def _require_unused(url: str) -> None:
    """Refuse while another process of ours is connected."""
    engine = sa.create_engine(make_url(url), poolclass=NullPool, connect_args={"application_name": "wardian restore"})
    others = sa.text(
        "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND application_name = 'wardian'"
    )
    deadline = time.monotonic() + _LEAVING_S
    try:
        with engine.connect() as connection:
            while connection.execute(others).scalar_one():
                # Our own connections, just closed, may take a moment to go.
                if time.monotonic() > deadline:
                    raise Refused(f"{describe(url)} is in use: stop Wardian, then restore; nothing was changed")
                connection.rollback()
                time.sleep(0.05)
    except OperationalError as exc:
        raise StoreUnusable(f"{describe(url)}: {exc.orig}; check WARDIAN_DATABASE and that the database runs") from exc
