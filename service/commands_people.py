"""`wardian account`: who can sign in, from the computer that the room's data stand on."""

import getpass
import sys
from datetime import UTC, datetime
from typing import Annotated, Final

import typer
from rich.console import Console
from rich.table import Table

from service.errors import BadUse
from service.people.accounts import account_named, add_account, change_password
from service.people.passwords import SHORTEST
from service.people.roles import Role
from service.settings import load_settings
from service.store.engine import Store, open_store
from service.store.people import all_people

BY: Final = "the command line"
_WIDE: Final = 120

account = typer.Typer(no_args_is_help=True, help="People who can sign in: owners, keepers, viewers.")
NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="The name that they sign in with.")]


def _store() -> Store:
    return open_store(load_settings().database_url)


def _password() -> str:
    """Ask for a password, twice; from a pipe, read one line of it."""
    if not sys.stdin.isatty():
        password = sys.stdin.readline().rstrip("\r\n")
        if not password:
            raise BadUse("no password was given: type it when asked, or give it as a line on standard input")
        return password
    password = getpass.getpass(f"Password, at least {SHORTEST} characters: ")
    if getpass.getpass("The same again: ") != password:
        raise BadUse("the two are not the same: nothing was changed")
    return password


@account.command("add")
def account_add(
    name: NameArgument,
    role: Annotated[Role, typer.Option(help="An owner manages people, a keeper answers alarms, a viewer looks.")] = (
        Role.KEEPER
    ),
) -> None:
    """Make an account; the password is asked for, or read as a line from standard input."""
    store = _store()
    with store.read() as session:
        first = not all_people(session)
    if first and role is not Role.OWNER:
        raise BadUse("the first account is an owner's: add --role owner")
    made = add_account(store, name, _password(), role, BY, datetime.now(UTC))
    store.close()
    typer.echo(f"{made.name} can sign in as {made.role}.")


@account.command("passwd")
def account_passwd(name: NameArgument) -> None:
    """Give a person another password, and sign them out everywhere."""
    store = _store()
    with store.read() as session:
        account_named(session, name)
    change_password(store, name, _password(), BY, datetime.now(UTC))
    store.close()
    typer.echo(f"{name} has another password, and is signed out everywhere.")


@account.command("list")
def account_list() -> None:
    """List who can sign in."""
    store = _store()
    with store.read() as session:
        people = all_people(session)
    store.close()
    if not people:
        typer.echo("Nobody has an account yet: `wardian account add NAME --role owner` makes the first.")
        return
    table = Table("name", "role", "since", "made by", box=None, pad_edge=False)
    for person in people:
        table.add_row(person.name, person.role, f"{person.made_at:%Y-%m-%d}", person.made_by)
    console = Console()
    console.print(table, width=None if console.is_terminal else _WIDE)
