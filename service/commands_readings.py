"""`wardian readings`: readings as CSV, in and out."""

import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn, TransferSpeedColumn

from service.climate.day_cycle import local_day
from service.errors import BadUse
from service.ingest.csv_files import export_csv, import_csv
from service.logs import configure_logs
from service.model import to_ms
from service.settings import load_settings
from service.store.engine import Store, open_store
from service.store.facts import load_facts
from service.store.readings import END_OF_TIME

readings = typer.Typer(no_args_is_help=True, help="Readings as CSV, in and out.")
err = Console(stderr=True, highlight=False)


def _store() -> Store:
    settings = load_settings()
    configure_logs(settings.log)
    return open_store(settings.database_url)


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
    start: Annotated[str | None, typer.Option("--from", help="A date, or ISO 8601 with offset; default: all.")] = None,
    end: Annotated[str | None, typer.Option("--to", help="The same; a date is the last day.")] = None,
    out: Annotated[Path | None, typer.Option(help="A file instead of standard output.")] = None,
) -> None:
    """Write readings as CSV to standard output, or to a file."""
    store = _store()
    start_ms = 0 if start is None else _instant(store, "--from", start)
    end_ms = END_OF_TIME if end is None else _instant(store, "--to", end, after=1)
    if out is None:
        export_csv(store, sys.stdout, start_ms, end_ms)
        return
    try:
        with out.open("w", encoding="utf-8", newline="") as file:
            count = export_csv(store, file, start_ms, end_ms)
    except OSError as exc:
        raise BadUse(f"{out}: cannot be written ({exc.strerror})") from exc
    typer.echo(f"{out}: {count} readings", err=True)


def _instant(store: Store, option: str, text: str, *, after: int = 0) -> int:
    """Read the start of a local date, or of one so many days later, or an instant. [ms since 1970, UTC]."""
    try:
        instant = datetime.fromisoformat(text)
    except ValueError as exc:
        raise BadUse(f"{option}: {text!r} is no date and no ISO 8601 time; write for example 2026-03-01") from exc
    if len(text) == len("2026-03-01"):
        with store.read() as session:
            return local_day(instant.date() + timedelta(days=after), load_facts(session).zone)[0]
    if instant.tzinfo is None:
        raise BadUse(f"{option}: {text!r} has no offset from UTC; add for example +00:00, or give a date alone")
    return to_ms(instant)
