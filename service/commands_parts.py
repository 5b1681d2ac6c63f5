"""Commands that watch a real room: everything in one process, or each part in one of its own."""

from typing import Annotated

import typer
from rich.console import Console

from service.errors import BadUse
from service.logs import configure_logs
from service.main import drain_worker, run_parts
from service.main_ear import MOST_WORKERS
from service.main_processes import EVERYTHING, Role
from service.settings import load_settings
from service.store.engine import describe

err = Console(stderr=True, highlight=False)


def up() -> None:
    """Watch a real room: broker, ingest, watch, jobs and pages in one process."""
    _run(EVERYTHING)


def ingest(
    worker: Annotated[
        int | None,
        typer.Option(min=1, max=MOST_WORKERS, help="Which of several that share the work; default: the only one."),
    ] = None,
    leave: Annotated[bool, typer.Option("--leave", help="Take what is kept for this worker, then be no more.")] = False,
) -> None:
    """Hear the probes and store their readings; the other parts run apart."""
    if leave:
        if worker is None:
            raise BadUse("--leave: say which worker is to be no more with --worker N")
        settings = load_settings()
        configure_logs(settings.log)
        drain_worker(settings, worker)
        err.print(f"Worker {worker} has left; the others take its share.")
        return
    _run(frozenset({Role.INGEST}), worker)


def watch() -> None:
    """Hold what is stored against the profiles and raise alarms; several share the rooms."""
    _run(frozenset({Role.WATCH}))


def web() -> None:
    """Serve the pages and the HTTP interface."""
    _run(frozenset({Role.WEB}))


def jobs() -> None:
    """Tell people of alarms, seal days, take backups, send the heartbeat; of several, one does."""
    _run(frozenset({Role.JOBS}))


def _run(roles: frozenset[Role], worker: int | None = None) -> None:
    settings = load_settings()
    configure_logs(settings.log)
    where = describe(settings.database_url)
    err.print(f"Wardian watches; data in {where}. It switches nothing and is no safety device.", soft_wrap=True)
    run_parts(settings, roles, lambda url: err.print(f"Pages: {url}"), worker)
