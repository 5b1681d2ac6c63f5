"""`wardian doctor`: what is wrong, and how to mend it."""

from datetime import UTC, datetime

import typer

from service.doctor import examine, settings_with_origin, tell
from service.logs import configure_logs
from service.settings import load_settings


def doctor() -> None:
    """Look at settings, database, broker, clock, disk, backups, pages and telling; exit 1 when something is wrong."""
    settings = load_settings()
    configure_logs(settings.log)
    for name, value, origin in settings_with_origin(settings):
        typer.echo(f"{name} = {value}  ({origin})")
    typer.echo()
    if not tell(examine(settings, datetime.now(UTC)), typer.echo):
        raise typer.Exit(1)
