"""What `wardian doctor` looks at: settings and where they come from, then each part that the room depends on."""

import os
import shutil
import sqlite3
import stat
import tomllib
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

import psycopg
import sqlalchemy as sa
from sqlalchemy.engine import make_url
from sqlmodel import Session

from service.doctor_reach import Finding, broker_findings, heartbeat_finding, note, web_finding, well, wrong
from service.doctor_room import room_findings
from service.doctor_secrets import secret_findings
from service.doctor_telling import telling_findings
from service.errors import WardianError
from service.model import Channel, ChannelState, from_ms, table_of
from service.settings import Settings
from service.store.backup import backup_age
from service.store.engine import describe, head_revision, known_revisions, open_store
from service.store.files import sqlite_path
from service.store.integrity import check_store, gaps_between_days, in_few_words

_SECRETS: Final = frozenset({"broker_password"})
_FULL_SHARE: Final = 0.9
_AHEAD: Final = timedelta(minutes=5)
_SILENT: Final = timedelta(days=1)
_OLDEST_BACKUP: Final = timedelta(hours=49)
_EARLIEST: Final = datetime(2026, 1, 1, tzinfo=UTC)
_CLOCK_S: Final = 2.0
_GAPS_TOLD: Final = 5
_MASK: Final = "****"
_FOREIGN: Final = "of another program"
_VERSIONS: Final = "alembic_version"
_VERSION: Final = "SELECT version_num FROM alembic_version"


def settings_with_origin(settings: Settings) -> Iterator[tuple[str, str, str]]:
    """Yield each setting's name, its value with secrets masked, and where it comes from."""
    toml = Path("wardian.toml")
    in_file = tomllib.loads(toml.read_text(encoding="utf-8")) if toml.is_file() else {}
    environment = {name.upper(): name for name in os.environ}
    for field in Settings.model_fields:
        name = f"WARDIAN_{field.upper()}"
        if name in environment:
            origin = "environment"
        elif f"{name}_FILE" in environment:
            origin = f"the file {os.environ[environment[f'{name}_FILE']]}"
        else:
            origin = "wardian.toml" if field in in_file else "default"
        yield name, masked(field, str(getattr(settings, field))), origin


def masked(field: str, value: str) -> str:
    """Return a setting's value as it may be shown: no password, and of the heartbeat its host alone."""
    if not value:
        return "(empty)"
    if field in _SECRETS:
        return _MASK
    if field == "heartbeat":
        parts = urlsplit(value)
        return f"{parts.scheme}://{parts.hostname}/{_MASK}"
    if field in {"broker", "database"} and "@" in value:
        scheme, _, rest = value.partition("://")
        account, _, place = rest.rpartition("@")
        return f"{scheme}://{account.partition(':')[0]}:{_MASK}@{place}"
    return value


def examine(settings: Settings, now: datetime) -> Iterator[Finding]:
    """Yield what is found of each part, as it is found; nothing is changed."""
    yield from database_findings(settings, now)
    yield from broker_findings(settings)
    yield clock_finding(settings, now)
    yield disk_finding(settings.data)
    yield from backup_findings(settings, now)
    yield web_finding(settings.web)
    yield from secret_findings(settings)
    yield heartbeat_finding(settings.heartbeat)


def database_findings(settings: Settings, now: datetime) -> Iterator[Finding]:
    """Yield how the database is: there, of this version, sound, and what stands in it."""
    place, path = describe(settings.database_url), sqlite_path(settings.database_url)
    if path is not None and path.is_file() and not _can_be_written(path):
        yield wrong("database", f"{path} is read-only, so no reading is stored: chmod u+w {path}, or mend its owner")
    try:
        revision = _revision(settings.database_url)
        if revision is None:
            yield note("database", f"{place} is not there yet; it is made at the first start")
            return
        if revision == _FOREIGN:
            yield wrong("database", f"{place} holds tables of another program; set WARDIAN_DATABASE to a new one")
            return
        if revision not in known_revisions():
            yield wrong("database", f"{place} was made by a newer version (revision {revision}); install that version")
            return
        if revision != head_revision():
            yield note("database", f"{place} is of revision {revision}; the next start brings it up to date")
            return
        store = open_store(settings.database_url)
        try:
            with store.read() as session:
                yield from _store_findings(session, place, revision, now)
                yield from telling_findings(session, settings.public_url, now)
        finally:
            store.close()
    except WardianError as exc:
        yield wrong("database", str(exc))
    except (sqlite3.Error, psycopg.Error) as exc:
        yield wrong("database", f"{place}: {str(exc).strip()}; check WARDIAN_DATABASE, or restore a backup")


def _revision(url: str) -> str | None:
    """Read which revision a database is of, without making it or bringing it up to date; None where nothing is."""
    path = sqlite_path(url)
    if path is None:
        with psycopg.connect(_plain(url), connect_timeout=5) as connection:
            names = "SELECT table_name FROM information_schema.tables WHERE table_schema = current_schema()"
            there = {row[0] for row in connection.execute(names)}
            row = connection.execute(_VERSION).fetchone() if _VERSIONS in there else None
    elif not path.exists():
        return None
    else:
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
            there = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
            row = connection.execute(_VERSION).fetchone() if _VERSIONS in there else None
    return str(row[0]) if row else _FOREIGN if there - {_VERSIONS} else None


def _can_be_written(path: Path) -> bool:
    """Whether the owner and we may write; a superuser may always, and the service does not run as one."""
    return os.access(path, os.W_OK) and bool(path.stat().st_mode & stat.S_IWUSR)


def _plain(url: str) -> str:
    return make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)


def _store_findings(session: Session, place: str, revision: str, now: datetime) -> Iterator[Finding]:
    damages = check_store(session)
    for said in in_few_words(damages):
        yield wrong("database", said)
    if not damages:
        yield well("database", f"{place} opens, is of revision {revision}, and is sound")
    gaps = gaps_between_days(session) if not damages else []
    for channel, first, last in gaps[:_GAPS_TOLD]:
        span = f"on {first}" if first == last else f"from {first} to {last}"
        yield note("readings", f"{channel} has none {span} (UTC), and has before and after: lost, or never sent")
    if len(gaps) > _GAPS_TOLD:
        yield note("readings", f"… and {len(gaps) - _GAPS_TOLD} more such gaps")
    yield _newest_finding(session, now)
    if not damages:  # of what is damaged, nothing more can be said for sure
        yield from room_findings(session, now)


def _newest_finding(session: Session, now: datetime) -> Finding:
    state, channel = table_of(ChannelState), table_of(Channel)
    joined = sa.select(channel.c.key, state.c.at_ms).join_from(state, channel, state.c.channel_id == channel.c.id)
    newest = session.execute(joined.order_by(state.c.at_ms.desc()).limit(1)).first()
    if newest is None:
        return note("readings", "there are none yet")
    key, at = newest[0], from_ms(newest[1])
    if at > now + _AHEAD:
        return wrong(
            "clock",
            f"the newest reading, of {key}, is of {at:%Y-%m-%d %H:%M} UTC, which is still to come: "
            "this computer's clock is behind, or that probe's is ahead; set the clock by NTP",
        )
    if at < now - _SILENT:
        return note("readings", f"the newest is of {at:%Y-%m-%d %H:%M} UTC: no probe has been heard since")
    return well("readings", f"the newest is of {at:%Y-%m-%d %H:%M:%S} UTC")


def clock_finding(settings: Settings, now: datetime) -> Finding:
    """Compare the clock with a file's time of writing, and with the day this version was made for."""
    if now < _EARLIEST:
        return wrong("clock", f"it says {now:%Y-%m-%d %H:%M} UTC, which is long past; set it by NTP")
    trial = settings.data / ".clock-trial"
    if not settings.data.is_dir():
        return well("clock", f"it says {now:%Y-%m-%d %H:%M} UTC")
    try:
        trial.write_bytes(b"")
        apart = abs(trial.stat().st_mtime - datetime.now(UTC).timestamp())
        trial.unlink()
    except OSError as exc:
        return wrong("data folder", f"{settings.data} cannot be written ({exc.strerror}); mend its permissions")
    if apart > _CLOCK_S:
        return wrong("clock", f"the file system of {settings.data} is {apart:.0f} s apart from it; set both by NTP")
    return well("clock", f"it says {now:%Y-%m-%d %H:%M} UTC, and the file system agrees")


def disk_finding(folder: Path) -> Finding:
    """Say how full the disk of a folder is."""
    usage = shutil.disk_usage(_there(folder))
    share, free = usage.used / usage.total, usage.free / 1e9
    said = f"the disk of {folder} is {share:.0%} full, {free:.1f} GB are free"
    is_well = share <= _FULL_SHARE
    return well("disk", said) if is_well else wrong("disk", f"{said}: free some space, or readings will wait")


def _there(folder: Path) -> Path:
    """Return the folder, or the nearest one above it that exists."""
    return next(path for path in (folder.absolute(), *folder.absolute().parents) if path.exists())


def backup_findings(settings: Settings, now: datetime) -> Iterator[Finding]:
    """Yield whether backups are taken, how old the newest is, and whether they would outlive the disk."""
    if not settings.backup_folder:
        yield note("backup", "none is taken by itself; set WARDIAN_BACKUP_FOLDER to a folder on another disk")
        if settings.retention_days is not None:
            yield wrong(
                "backup",
                f"WARDIAN_KEEP_READINGS_DAYS={settings.keep_readings_days} deletes readings for good while no backup "
                "is taken: set WARDIAN_BACKUP_FOLDER, or keep them for ever",
            )
        return
    folder = Path(settings.backup_folder)
    nearest = _there(folder)
    if not (nearest.is_dir() and _can_be_written(nearest)):
        yield wrong("backup", f"nothing can be written to {folder}: {nearest} is no folder, or not ours; mend it")
    age = backup_age(folder, now)
    if age is None:
        yield wrong("backup", f"there is none in {folder} yet; Wardian takes one soon after it starts")
    elif age > _OLDEST_BACKUP:
        hours = age.total_seconds() / 3600
        yield wrong("backup", f"the newest in {folder} is {hours:.0f} h old; see the log for backup_failed")
    else:
        yield well("backup", f"the newest in {folder} is {age.total_seconds() / 3600:.0f} h old")
    data = sqlite_path(settings.database_url)
    if data is not None and _there(folder).stat().st_dev == _there(data.parent).stat().st_dev:
        yield note("backup", f"{folder} is on the disk of the database: when that disk fails, both are gone")


def tell(findings: Iterator[Finding], say: Callable[[str], None]) -> bool:
    """Say each finding as it comes, and return whether all is well."""
    sound = True
    for finding in findings:
        sound = sound and finding.mark != "wrong"
        say(f"{finding.mark:<6} {finding.subject}: {finding.said}")
    return sound
