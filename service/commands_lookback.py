"""The commands that look back: `lookback` makes a report, `verify` says whether one is what the data say."""

import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from service.errors import BadUse
from service.logs import configure_logs
from service.lookback.forms.making import Form, make, write
from service.lookback.forms.pdf import PAPERS
from service.lookback.forms.verify import verify as verify_file
from service.lookback.lives.asking import Question
from service.settings import load_settings
from service.store.engine import Store, open_store
from service.store.facts import RoomFacts, load_facts


def lookback(  # noqa: PLR0913, PLR0917 - each is an option
    enclosure: Annotated[
        str | None, typer.Argument(metavar="ENCLOSURE", help="Its id in the room file; or give --animal or --clutch.")
    ] = None,
    animal: Annotated[str | None, typer.Option(help="An animal's name: through every enclosure it lived in.")] = None,
    clutch: Annotated[str | None, typer.Option(help="A clutch's name: through every place it lay in.")] = None,
    first: Annotated[
        str | None, typer.Option("--from", help="A local date, or an instant; default: 30 days, or before the illness.")
    ] = None,
    last: Annotated[str | None, typer.Option("--to", help="A local date, its day included, or an instant.")] = None,
    form: Annotated[Form, typer.Option("--format", help="How it is written; csv is a zip of tables.")] = Form.TEXT,
    paper: Annotated[str, typer.Option(help="Of a PDF: a4 or us-letter.")] = "a4",
    unit: Annotated[str, typer.Option(help="Degrees in text, HTML and PDF: c or f; data files hold °C.")] = "c",
    out: Annotated[Path | None, typer.Option(help="A file instead of standard output.")] = None,
) -> None:
    """Say what an enclosure, an animal or a clutch lived through, as text, JSON, HTML, PDF or a bundle of tables."""
    question = _question(enclosure, animal, clutch, first, last)
    if paper not in PAPERS:
        raise BadUse(f"--paper: expected {' or '.join(PAPERS)}, got '{paper[:20]}'")
    if unit.lower() not in {"c", "f"}:
        raise BadUse(f"--unit: expected c or f, got '{unit[:20]}'")
    if out is None and form in {Form.PDF, Form.CSV} and sys.stdout.isatty():
        raise BadUse(f"--format {form}: give --out FILE, since a terminal cannot show it")
    with _store() as (store, facts):
        with _progress("Looking back") as advance:
            made = make(store, facts, question, datetime.now(UTC), advance)
        _write(write(store, facts, made, form, paper, "F" if unit.lower() == "f" else "C"), out)


def verify(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A report: JSON, HTML, PDF or a bundle.")],
) -> None:
    """Say whether a report still is what the data say: it is made anew from the readings and compared byte by byte."""
    with _store() as (store, facts), _progress("Assessing anew") as advance:
        found = verify_file(store, facts, file, datetime.now(UTC), advance)
    for sentence in found.sentences:
        typer.echo(sentence)
    if not found.matches:
        raise typer.Exit(1)


def _question(
    enclosure: str | None, animal: str | None, clutch: str | None, first: str | None, last: str | None
) -> Question:
    given = [(kind, name) for kind, name in (("enclosure", enclosure), ("animal", animal), ("clutch", clutch)) if name]
    if len(given) != 1:
        raise BadUse("name one: an ENCLOSURE, or --animal NAME, or --clutch NAME")
    return Question(*given[0], first, last)


@contextmanager
def _store() -> Iterator[tuple[Store, RoomFacts]]:
    settings = load_settings()
    configure_logs(settings.log)
    with closing(open_store(settings.database_url)) as store:
        with store.read() as session:
            facts = load_facts(session)
        yield store, facts


@contextmanager
def _progress(what: str) -> Iterator[Callable[[int], None]]:
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed} days"))
    console = Console(stderr=True)
    with Progress(
        *columns, TimeRemainingColumn(), console=console, disable=not console.is_terminal, transient=True
    ) as progress:
        task = progress.add_task(what, total=None)
        yield lambda days: progress.advance(task, days)


def _write(pieces: Iterable[bytes], out: Path | None) -> None:
    if out is None:
        for piece in pieces:
            sys.stdout.buffer.write(piece)
        sys.stdout.buffer.flush()
        return
    try:
        with out.open("wb") as file:
            for piece in pieces:
                file.write(piece)
    except OSError as exc:
        raise BadUse(f"{out}: cannot be written ({exc.strerror})") from exc
    typer.echo(f"{out}: written", err=True)
