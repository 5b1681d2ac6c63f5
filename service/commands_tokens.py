"""`wardian token`: keys for programs and walls."""

from datetime import UTC, datetime, timedelta
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from service.commands_people import BY
from service.people.tokens import KeyScope, make_key, revoke_key
from service.settings import load_settings
from service.store.engine import open_store
from service.store.tokens import tokens

token = typer.Typer(no_args_is_help=True, help="Keys that let a program or a wall in without a sign-in.")
_WIDE = 160


@token.command("add")
def add(
    name: Annotated[str, typer.Argument(help="What it is for.")],
    scope: Annotated[list[KeyScope], typer.Option(help="What it opens; may be given several times.")],
    days: Annotated[float | None, typer.Option(help="How long it lasts. Default: until it is revoked.")] = None,
) -> None:
    """Make a key and print it: it is told this once."""
    settings = load_settings()
    store = open_store(settings.database_url)
    lasts = None if days is None else timedelta(days=days)
    made = make_key(store, name, [str(one) for one in scope], BY, datetime.now(UTC), lasts)
    store.close()
    if KeyScope.WALL in scope:
        typer.echo(f"http://{settings.web}/wall/{made.secret}")
        typer.echo("Open it once on the screen; with another address of this computer it is the same.", err=True)
    else:
        typer.echo(made.secret)
        typer.echo("Send it as `Authorization: Bearer …`. It is kept nowhere: note it now.", err=True)


@token.command("list")
def list_all() -> None:
    """List every key that was made, without its secret."""
    store = open_store(load_settings().database_url)
    with store.read() as session:
        rows = tokens(session)
    store.close()
    table = Table("number", "name", "scopes", "made", "by", "ends", "last used", "state", box=None, pad_edge=False)
    now = datetime.now(UTC)
    for row in rows:
        over = row.expires_at is not None and row.expires_at <= now
        state = "revoked" if row.revoked_at else "over" if over else "open"
        table.add_row(
            str(row.id), row.name, row.scopes, f"{row.made_at:%Y-%m-%d}", row.made_by,
            f"{row.expires_at:%Y-%m-%d}" if row.expires_at else "–",
            f"{row.seen_at:%Y-%m-%d %H:%M}Z" if row.seen_at else "never", state,
        )  # fmt: skip
    console = Console()
    console.print(table, width=None if console.is_terminal else _WIDE)


@token.command("revoke")
def revoke(number: Annotated[int, typer.Argument(help="As `token list` shows it.")]) -> None:
    """Let a key open nothing any more."""
    store = open_store(load_settings().database_url)
    name = revoke_key(store, number, BY, datetime.now(UTC))
    store.close()
    typer.echo(f"{name} opens nothing any more.")
