"""The commands that care for the store: `backup`, `restore`, `move-store`."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from service.errors import BadUse
from service.logs import configure_logs
from service.settings import Settings, load_settings
from service.store.backup import back_up
from service.store.container import Manifest
from service.store.engine import open_store
from service.store.moving import move_store as move
from service.store.restoring import restore as put_back

_URL_HELP = "As WARDIAN_DATABASE takes it: sqlite:///path or postgresql+psycopg://…"


def backup(file: Annotated[Path, typer.Argument(metavar="FILE", help="Where it is written; a new file.")]) -> None:
    """Write a backup while Wardian runs, and try it by restoring it beside."""
    store = open_store(_settings().database_url)
    with _progress() as told:
        manifest = back_up(store, file, told)
    store.close()
    size = file.stat().st_size / 1e6
    typer.echo(f"{file}: {_holds(manifest)}, {size:.1f} MB; restored for a trial and found the same")


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A backup.")],
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask before replacing a room.")] = False,
) -> None:
    """Put a backup in place of the database; Wardian must be stopped."""
    settings = _settings()

    def agreed(manifest: Manifest, site: str) -> bool:
        if yes:
            return True
        named = site or "the room without a name"
        if not sys.stdin.isatty():
            raise BadUse(f"nothing was changed: add --yes to replace {named} without being asked")
        typer.echo(f"{file} holds {_holds(manifest)}. It replaces {named}.")
        return typer.prompt(f"Write {site or 'yes'} to replace it") == (site or "yes")

    with _progress() as told:
        kept = put_back(file, settings.database_url, agreed, told)
    typer.echo(f"{file}: restored")
    if kept is not None:
        typer.echo(f"What was there is kept as {kept}; delete it when it is no longer needed.")


def move_store(
    source: Annotated[str, typer.Argument(metavar="FROM", help=_URL_HELP)],
    target: Annotated[str, typer.Argument(metavar="TO", help="The same; an empty database.")],
) -> None:
    """Copy the store into another database and compare the two; after a break, the same command goes on."""
    configure_logs(load_settings().log)
    with _progress() as told:
        moved = move(source, target, lambda done, total: told("copying readings", done / max(total, 1)))
    typer.echo(
        f"{'Went on and copied' if moved.resumed else 'Copied'} {moved.tables} tables with {moved.rows} rows, "
        f"{moved.readings} readings of {moved.channels} channels; each table and each of {moved.channel_days} "
        "channel-days compared and found the same."
    )
    typer.echo("Set WARDIAN_DATABASE to the new one. The old one is as it was.")


def _settings() -> Settings:
    settings = load_settings()
    configure_logs(settings.log)
    return settings


def _holds(manifest: Manifest) -> str:
    return f"{manifest.site or 'a room without a name'} of {manifest.made_at}, version {manifest.version}"


@contextmanager
def _progress() -> Iterator[Callable[[str, float], None]]:
    """Show a bar on a terminal."""
    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, disable=not console.is_terminal, transient=True) as progress:
        task = progress.add_task("", total=1.0)
        yield lambda doing, share: progress.update(task, description=doing, completed=share)
