"""The commands, thin: each parses, calls and says what came of it.

Exit status: 0 done, 1 found something wrong, 2 bad use.
"""

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn, TransferSpeedColumn

from service.commands_lookback import lookback, verify
from service.commands_lookout import lookout
from service.commands_parts import ingest, jobs, up, watch, web
from service.commands_people import account
from service.commands_probes import read_probes
from service.commands_replay import replay
from service.commands_store import pin, retention, seal
from service.commands_store_care import backup, doctor, move_store, restore
from service.commands_telling import contact
from service.commands_tokens import app as token
from service.demo import run_demo
from service.errors import BadUse, RoomFileInvalid, SettingInvalid, WardianError
from service.ingest.csv_files import export_csv, import_csv
from service.logs import configure_logs
from service.model import to_ms
from service.roomfile.applying import apply_room_file
from service.roomfile.export import export_room_file
from service.roomfile.plan import plan_changes
from service.roomfile.reading import read_room_file
from service.roomfile.report import tell_plan, tell_problems, tell_sound
from service.roomfile.spec import RoomFile
from service.settings import Settings, load_settings
from service.store.engine import Store, open_store
from service.store.readings import END_OF_TIME

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_show_locals=False,
    help="Watches the climate of a room of enclosures.",
)
room = typer.Typer(no_args_is_help=True, help="The room file: what stands where, and what it should be.")
readings = typer.Typer(no_args_is_help=True, help="Readings as CSV, in and out.")
app.add_typer(room, name="room")
app.add_typer(readings, name="readings")
app.add_typer(account, name="account")
app.add_typer(contact, name="contact")
app.add_typer(token, name="token")
app.command()(lookback)
app.command()(lookout)
app.command()(verify)
app.command()(replay)
app.command()(read_probes)
for part in (up, ingest, watch, web, jobs):
    app.command()(part)
for care in (backup, restore, move_store, doctor, seal, retention, pin):
    app.command()(care)

RoomFileArgument = Annotated[Path, typer.Argument(metavar="FILE", help="The room file.")]
err = Console(stderr=True, highlight=False)


def main() -> None:
    """Run a command; an error is one sentence on standard error, never a traceback."""
    try:
        app()
    except (BadUse, SettingInvalid) as exc:
        err.print(f"wardian: {exc}", markup=False, soft_wrap=True)
        sys.exit(2)
    except WardianError as exc:
        err.print(f"wardian: {exc}", markup=False, soft_wrap=True)
        sys.exit(1)
    except KeyboardInterrupt:
        sys.exit(130)


def _settings() -> Settings:
    settings = load_settings()
    configure_logs(settings.log)
    return settings


def _store() -> Store:
    return open_store(_settings().database_url)


@app.command()
def demo(
    days: Annotated[int, typer.Option(min=1, max=365, help="Days of history to make.")] = 30,
    port: Annotated[int, typer.Option(min=0, max=65_535, help="Port of the pages; 0 takes a free one.")] = 8780,
) -> None:
    """Show a simulated room with faults: real MQTT, loopback only, nothing kept afterwards but demo-data/."""
    configure_logs("text")
    run_demo(days, port, err)


def _read(file: Path) -> RoomFile:
    try:
        return read_room_file(file)
    except RoomFileInvalid as exc:
        err.print(tell_problems(exc.problems, str(file)), markup=False, soft_wrap=True)
        raise typer.Exit(1) from exc


@room.command("check")
def room_check(file: RoomFileArgument) -> None:
    """Say what is wrong with a room file: everything at once, with lines."""
    _read(file)
    typer.echo(tell_sound(str(file)))


@room.command("apply")
def room_apply(
    file: RoomFileArgument,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask before changing anything.")] = False,
) -> None:
    """Bring the room to what the file says: shows what changes, asks, and changes it all at once or not at all."""
    room_file = _read(file)
    store, now = _store(), datetime.now(UTC)
    with store.read() as session:
        plan = plan_changes(session, room_file, now)
    typer.echo(tell_plan(plan, str(file)))
    if not plan:
        return
    if not yes:
        if not sys.stdin.isatty():
            raise BadUse("nothing was changed: add --yes to apply without being asked")
        if not typer.confirm("Apply these changes?"):
            raise BadUse("nothing was changed")
    apply_room_file(store, room_file, by="the room file", now=now)
    typer.echo("Applied.")


@room.command("export")
def room_export() -> None:
    """Write the room as it stands, as a room file, to standard output."""
    with _store().read() as session:
        sys.stdout.write(export_room_file(session))


@readings.command("import")
def readings_import(files: Annotated[list[Path], typer.Argument(metavar="FILE…", help="CSV files.")]) -> None:
    """Store readings from CSV files (time,probe,quantity,value); again does no harm."""
    store, refused = _store(), 0
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        DownloadColumn(),
        TransferSpeedColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=err, disable=not err.is_terminal) as progress:
        for file in files:
            size = file.stat().st_size if file.is_file() else 0
            task = progress.add_task(file.name, total=size)
            result = import_csv(store, file, lambda done, task=task: progress.update(task, completed=done))
            refused += result.refused
            said = f"{file}: {result.taken} taken, {result.repeated} repeated, {result.refused} refused"
            typer.echo(f"{said} (see {result.rejected_file})" if result.rejected_file else said)
    if refused:
        raise typer.Exit(1)


@readings.command("export")
def readings_export(
    start: Annotated[str | None, typer.Option("--from", help="ISO 8601 with offset; default: all.")] = None,
    end: Annotated[str | None, typer.Option("--to", help="ISO 8601 with offset; default: all.")] = None,
    out: Annotated[Path | None, typer.Option(help="A file instead of standard output.")] = None,
) -> None:
    """Write readings as CSV to standard output, or to a file."""
    start_ms, end_ms = _instant("--from", start, 0), _instant("--to", end, END_OF_TIME)
    if out is None:
        export_csv(_store(), sys.stdout, start_ms, end_ms)
        return
    try:
        with out.open("w", encoding="utf-8", newline="") as file:
            count = export_csv(_store(), file, start_ms, end_ms)
    except OSError as exc:
        raise BadUse(f"{out}: cannot be written ({exc.strerror})") from exc
    typer.echo(f"{out}: {count} readings", err=True)


def _instant(option: str, text: str | None, default: int) -> int:
    if text is None:
        return default
    try:
        instant = datetime.fromisoformat(text)
    except ValueError as exc:
        raise BadUse(f"{option}: {text!r} is no ISO 8601 time; write for example 2026-03-01T12:00:00+00:00") from exc
    if instant.tzinfo is None:
        raise BadUse(f"{option}: {text!r} has no offset from UTC; add for example +00:00")
    return to_ms(instant)
