"""`wardian room`: the room file, checked, applied and written anew."""

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from service.errors import BadUse, RoomFileInvalid
from service.logs import configure_logs
from service.roomfile.applying import apply_room_file
from service.roomfile.export import export_room_file
from service.roomfile.plan import plan_changes
from service.roomfile.reading import read_room_file
from service.roomfile.report import tell_plan, tell_problems, tell_sound
from service.roomfile.spec import RoomFile
from service.settings import load_settings
from service.store.engine import Store, open_store

room = typer.Typer(no_args_is_help=True, help="The room file: what stands where, and what it should be.")
RoomFileArgument = Annotated[Path, typer.Argument(metavar="FILE", help="The room file.")]


def _store() -> Store:
    settings = load_settings()
    configure_logs(settings.log)
    return open_store(settings.database_url)


def _read(file: Path) -> RoomFile:
    try:
        return read_room_file(file)
    except RoomFileInvalid as exc:
        typer.echo(tell_problems(exc.problems, str(file)), err=True)
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
