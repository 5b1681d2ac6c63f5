"""The `lookback` command."""

import sys
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from service.errors import BadUse
from service.logs import configure_logs
from service.lookback.report import enclosure_report, to_bytes
from service.lookback.spans import enclosure_of, span_of
from service.lookback.text import text_of
from service.model import to_ms
from service.settings import load_settings
from service.store.engine import open_store
from service.store.facts import load_facts


class Format(StrEnum):
    """How a look-back is written."""

    TEXT = "text"
    JSON = "json"


def lookback(
    enclosure: Annotated[str, typer.Argument(metavar="ENCLOSURE", help="Its id in the room file.")],
    first: Annotated[str | None, typer.Option("--from", help="A local date, or an instant; default: 30 days.")] = None,
    last: Annotated[str | None, typer.Option("--to", help="A local date, its day included, or an instant.")] = None,
    form: Annotated[Format, typer.Option("--format", help="How it is written.")] = Format.TEXT,
    out: Annotated[Path | None, typer.Option(help="A file instead of standard output.")] = None,
) -> None:
    """Say what an enclosure lived through: days against their profile, misting, alarms, gaps and facts."""
    settings = load_settings()
    configure_logs(settings.log)
    store, now = open_store(settings.database_url), datetime.now(UTC)
    with store.read() as session:
        facts = load_facts(session)
    subject, span = enclosure_of(facts, enclosure), span_of(first, last, facts.zone, now)
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed} of {task.total} days"))
    console = Console(stderr=True)
    with Progress(
        *columns, TimeRemainingColumn(), console=console, disable=not console.is_terminal, transient=True
    ) as p:
        task = p.add_task("Looking back", total=(span.last - span.first).days + 1)
        report = enclosure_report(store, facts, subject, span, to_ms(now), progress=lambda days: p.advance(task, days))
    store.close()
    _write(to_bytes(report) if form is Format.JSON else text_of(report).encode(), out)


def _write(text: bytes, out: Path | None) -> None:
    if out is None:
        sys.stdout.buffer.write(text)
        sys.stdout.buffer.flush()
        return
    try:
        out.write_bytes(text)
    except OSError as exc:
        raise BadUse(f"{out}: cannot be written ({exc.strerror})") from exc
    typer.echo(f"{out}: written", err=True)
