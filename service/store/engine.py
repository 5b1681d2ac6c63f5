"""Open a database, bring it up to date, and hand out transactions."""

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import resources
from pathlib import Path
from typing import Any

import psycopg
import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import event
from sqlalchemy.engine import URL, Connection, Engine, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, NoSuchModuleError, OperationalError
from sqlmodel import Session

from service.errors import SettingInvalid, StoreContended, StoreForeign, StoreFull, StoreNewer, StoreUnusable
from service.store.bulk import STAGING
from service.store.partitions import make_ahead

PAGE_BYTES = 1024
"""Of a new SQLite file. A commit touches a page for each channel, and a sealed day has pages of its own: small ones
write less and waste less."""
_BUSY_SECONDS = 20.0
_CONNECT_SECONDS = 10
_OLDEST_POSTGRESQL = 15
UNFINISHED = "unfinished_copy"
"""A table that a store has while it is being filled from another one: until it is gone, nobody may use the store."""
_UPGRADE_LOCK = 7_402_511_905
_FULL_SIGNS = (
    "disk is full",
    "readonly database",
    "disk i/o error",
    "no space left",
    "could not extend file",
    "read-only transaction",
)


class Store:
    """The database of one site.

    Parameters
    ----------
    engine : Engine
        Whose transactions begin deferred: for reading.
    writer : Engine
        Whose transactions take the write lock when they begin: none fails half way for want of it.
    """

    def __init__(self, engine: Engine, writer: Engine) -> None:
        self._engine = engine
        self._writer = writer
        self.is_sqlite = engine.dialect.name == "sqlite"

    @contextmanager
    def read(self) -> Iterator[Session]:
        """Give a session that sees one state of the store throughout, and changes nothing."""
        with _translated(self._engine.url), Session(self._engine, autoflush=False) as session:
            yield session

    @contextmanager
    def write(self) -> Iterator[Session]:
        """Give a session whose changes are committed together at the end, or not at all.

        Raises
        ------
        StoreFull
            When the disk is full or the database read-only; nothing of the transaction is stored.
        """
        with (
            _translated(self._writer.url),
            Session(self._writer, expire_on_commit=False) as session,
            session.begin(),
        ):
            yield session

    @property
    def path(self) -> str | None:
        """The file of an SQLite database; None for any other, and for one in memory."""
        named = self._engine.url.database
        return named if self.is_sqlite and named and named != ":memory:" else None

    def apart(self) -> Connection:
        """Give a connection outside any transaction, for whoever keeps it; it is not given back by `close`."""
        with _translated(self._writer.url):
            return self._writer.connect().execution_options(isolation_level="AUTOCOMMIT")

    def make_ready(self) -> None:
        """Make what the readings of the coming months need: once a day is often enough. SQLite needs nothing."""
        with _translated(self._writer.url):
            _make_ready(self._writer)

    def close(self) -> None:
        """Give the connections back."""
        self._engine.dispose()
        self._writer.dispose()


def open_store(url: str, *, unfinished: bool = False) -> Store:
    """Open the database at `url`, made and brought up to date when need be.

    Parameters
    ----------
    url : str
        As `WARDIAN_DATABASE` takes it.
    unfinished : bool
        Open even a copy that is half done: only to go on with it.

    Raises
    ------
    SettingInvalid
        The URL is none that we can use.
    StoreNewer
        The database was made by a newer version of the program.
    StoreForeign
        The file is no database, or holds another program's tables.
    StoreFull
        It cannot be written.
    StoreUnusable
        It cannot be reached, or is a copy that was broken off half way.
    """
    parsed = _parsed(url)
    if parsed.get_backend_name() == "sqlite" and parsed.database:
        _make_private(Path(parsed.database))
    engine, writer = _engine(parsed, "BEGIN"), _engine(parsed, "BEGIN IMMEDIATE")
    try:
        with _translated(parsed):
            _bring_up_to_date(writer, unfinished=unfinished)
            _make_ready(writer)
    except BaseException:
        engine.dispose()
        writer.dispose()
        raise
    return Store(engine, writer)


def describe(url: str) -> str:
    """Name a database by its whole path or its address, without its password.

    Raises
    ------
    SettingInvalid
        The URL is none that we can use.
    """
    parsed = _parsed(url)
    return str(Path(parsed.database or "").resolve()) if parsed.get_backend_name() == "sqlite" else _where(parsed)


def known_revisions() -> list[str]:
    """Return the revisions of the tables that this version can read, the newest first."""
    return [script.revision for script in ScriptDirectory(str(_migrations())).walk_revisions()]


def head_revision() -> str:
    """Return the revision that this version brings a database to."""
    return known_revisions()[0]


def _parsed(url: str) -> URL:
    try:
        parsed = make_url(url)
        backend = parsed.get_backend_name()
    except (ArgumentError, NoSuchModuleError) as exc:
        raise SettingInvalid("WARDIAN_DATABASE: expected sqlite:///path or postgresql+psycopg://…") from exc
    if backend not in {"sqlite", "postgresql"}:
        raise SettingInvalid(f"WARDIAN_DATABASE: {backend} is not supported; use SQLite or PostgreSQL")
    return parsed


def _make_private(path: Path) -> None:
    """Make the database's file, and its folder where there is none, for this user alone: it holds contacts' routes."""
    folder = path.parent
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not path.exists():
            os.close(os.open(path, os.O_WRONLY | os.O_CREAT, 0o600))
    except OSError as exc:
        raise StoreFull(f"{path}: the database cannot be made there ({exc.strerror}); set WARDIAN_DATA") from exc


def _engine(url: URL, begin: str) -> Engine:
    if url.get_backend_name() != "sqlite":
        # What begins deferred on SQLite sees one state throughout; here a level of isolation promises the same.
        seen = "REPEATABLE READ" if begin == "BEGIN" else "READ COMMITTED"
        named = {"application_name": "wardian", "connect_timeout": _CONNECT_SECONDS}
        engine = sa.create_engine(
            url, pool_pre_ping=True, isolation_level=seen, connect_args=named, hide_parameters=True
        )
        if begin != "BEGIN":
            event.listen(engine, "connect", _make_staging)
        return engine
    # What a statement was given stays out of errors, and so out of the log: it may be a route or a password's hash.
    engine = sa.create_engine(
        url, connect_args={"timeout": _BUSY_SECONDS, "check_same_thread": False}, hide_parameters=True
    )

    @event.listens_for(engine, "connect")
    def _prepare(connection: sqlite3.Connection, _record: object) -> None:
        # The driver would begin transactions by itself, and late; we begin them ourselves, below.
        connection.isolation_level = None
        connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA cache_size = -32000")
        connection.execute("PRAGMA synchronous = FULL")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql(begin)

    return engine


def _make_staging(connection: psycopg.Connection, _record: object) -> None:
    """Make the table that readings are copied into on their way: it is this connection's own."""
    connection.execute(STAGING)
    connection.commit()


def _bring_up_to_date(writer: Engine, *, unfinished: bool) -> None:
    """Run the migrations that this database lacks, in one transaction."""
    scripts = ScriptDirectory(str(_migrations()))
    if writer.dialect.name == "sqlite":
        with _raw(writer) as driver:
            driver.execute("PRAGMA journal_mode = WAL")
    with _changing_tables(writer) as connection:
        if connection.dialect.name == "postgresql":
            _refuse_old(connection)
            # Two that start at once on a new database must not both make its tables.
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_UPGRADE_LOCK})")
        if not unfinished and sa.inspect(connection).has_table(UNFINISHED):
            raise StoreUnusable(
                f"{_where(writer.url)}: a copy that was broken off half way; "
                "finish it with wardian move-store FROM TO, or set WARDIAN_DATABASE to another one"
            )
        there = MigrationContext.configure(connection).get_current_heads()
        if set(there) == set(scripts.get_heads()):
            return
        _refuse_unknown(connection, there, scripts)
        config = Config()
        config.set_main_option("script_location", str(_migrations()))
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


@contextmanager
def _changing_tables(writer: Engine) -> Iterator[Connection]:
    """Give a transaction in which tables may be made anew.

    SQLite changes many things of a table only by copying it and dropping the old one, which the rows that refer to it
    would forbid. So references are not held meanwhile, and are all looked at once a version has changed.
    """
    is_sqlite = writer.dialect.name == "sqlite"
    with writer.connect() as connection:
        driver: Any = connection.connection.driver_connection
        if is_sqlite:
            driver.execute("PRAGMA foreign_keys = OFF")
        try:
            with connection.begin():
                before = MigrationContext.configure(connection).get_current_heads()
                yield connection
                after = MigrationContext.configure(connection).get_current_heads()
                if is_sqlite and before != after and (broken := _broken_reference(connection)):
                    raise StoreUnusable(f"{_where(writer.url)}: {broken}; nothing was changed: restore a backup")
        finally:
            if is_sqlite:
                driver.execute("PRAGMA foreign_keys = ON")


def _broken_reference(connection: Connection) -> str:
    found = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
    return f"a row of {found[0]} refers to one of {found[2]} that is not there" if found else ""


def _make_ready(writer: Engine) -> None:
    if writer.dialect.name == "postgresql":
        make_ahead(writer, time.time_ns() // 1_000_000)


@contextmanager
def _raw(engine: Engine) -> Iterator[sqlite3.Connection]:
    """Give the driver's own connection, outside any transaction."""
    fairy = engine.raw_connection()
    try:
        driver: Any = fairy.driver_connection
        yield driver
    finally:
        fairy.close()


def _refuse_old(connection: Connection) -> None:
    version = connection.dialect.server_version_info or (0,)
    if int(version[0]) < _OLDEST_POSTGRESQL:
        said = ".".join(map(str, version))
        raise StoreUnusable(
            f"{_where(connection.engine.url)}: PostgreSQL {said} is too old; use {_OLDEST_POSTGRESQL} or newer"
        )


def _refuse_unknown(connection: Connection, there: tuple[str, ...], scripts: ScriptDirectory) -> None:
    known = {script.revision for script in scripts.walk_revisions()}
    where = _where(connection.engine.url)
    if unknown := sorted(set(there) - known):
        raise StoreNewer(
            f"{where}: made by a newer version of Wardian (revision {', '.join(unknown)}); "
            "install that version, or restore a backup made by this one"
        )
    if not there and (tables := sa.inspect(connection).get_table_names()):
        raise StoreForeign(
            f"{where}: holds tables of another program ({tables[0]}, …); set WARDIAN_DATABASE to a new one"
        )


def _migrations() -> Path:
    """Return the folder of the migrations, in the installed package."""
    return Path(str(resources.files("service.store") / "migrations"))


def _where(url: URL) -> str:
    """Name the database without its password."""
    return url.database or "" if url.get_backend_name() == "sqlite" else url.render_as_string(hide_password=True)


@contextmanager
def _translated(url: URL) -> Iterator[None]:
    """Turn the driver's errors into ours, where they enter."""
    try:
        yield
    except (DBAPIError, sqlite3.Error, psycopg.Error) as exc:
        where, said = _where(url), str(exc.orig if isinstance(exc, DBAPIError) else exc).strip()
        if isinstance(exc, IntegrityError):
            raise StoreContended(f"{where}: {said}") from exc
        if any(sign in said.lower() for sign in _FULL_SIGNS):
            raise StoreFull(f"{where}: cannot be written ({said}); free space, or mend its permissions") from exc
        if "file is not a database" in said or "malformed" in said:
            raise StoreForeign(f"{where}: {said}; restore a backup, or set WARDIAN_DATABASE to a new file") from exc
        if isinstance(exc, OperationalError | sqlite3.OperationalError | psycopg.OperationalError):
            raise StoreUnusable(f"{where}: {said}; check WARDIAN_DATABASE and that the database runs") from exc
        raise
