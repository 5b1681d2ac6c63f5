"""`wardian contact`: who is told of alarms, and whether a message reaches them."""

from datetime import UTC, datetime
from typing import Annotated, Final

import typer
from rich.console import Console
from rich.table import Table

from service.errors import NotDelivered
from service.notify.trying import about_route, send_test
from service.settings import load_settings
from service.store.deliveries import contacts_in_use, route_states
from service.store.engine import open_store

BY: Final = "the command line"
_WIDE: Final = 140

contact = typer.Typer(no_args_is_help=True, help="Who is told of alarms: the contacts of the room file.")
NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="The contact's name in the room file.")]


@contact.command("test")
def contact_test(name: NameArgument) -> None:
    """Send a contact a test message, and say whether the other end took it."""
    settings = load_settings()
    store = open_store(settings.database_url)
    try:
        tried = send_test(store, name, BY, datetime.now(UTC), settings.public_url)
    finally:
        store.close()
    if tried.failed is not None:
        raise NotDelivered(
            f"the test message did not reach {tried.contact}: {tried.failed}; mend the route on the Telling page"
        )
    typer.echo(f"{tried.contact} was sent a test message ({tried.about}); see whether it arrives.")


@contact.command("list")
def contact_list() -> None:
    """List the contacts and how their routes are; no secret of a route is shown."""
    store = open_store(load_settings().database_url)
    with store.read() as session:
        contacts, states = contacts_in_use(session), route_states(session)
    store.close()
    if not contacts:
        typer.echo("Nobody is told of alarms: add one on the Telling page.")
        return
    table = Table("name", "route", "from", "hours", "last sent (UTC)", "fails", box=None, pad_edge=False)
    for one in contacts:
        state, (about, wrong) = states.get(one.id or 0), about_route(one.route)
        sent = f"{state.sent_at:%Y-%m-%d %H:%M}" if state and state.sent_at else "never"
        said = wrong or (state.said if state and state.failing_since else None) or ""
        table.add_row(one.name, about, one.priority, one.hours or "always", sent, said)
    terminal = Console()
    (terminal if terminal.is_terminal else Console(width=_WIDE)).print(table)
