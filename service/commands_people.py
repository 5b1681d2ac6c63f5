"""`wardian account`: who can sign in, from the computer that the room's data stand on."""

import getpass
import sys
from datetime import UTC, datetime
from typing import Annotated, Final

import typer
from rich.console import Console
from rich.table import Table

from service.errors import BadUse
from service.people.accounts import account_named, add_account, change_password, sign_out_everywhere
from service.people.invitations import DAYS, LONGEST_DAYS, invite, role_of, withdraw
from service.people.passwords import SHORTEST
from service.people.roles import Role
from service.settings import Settings, load_settings
from service.store.engine import Store, open_store
from service.store.invitations import open_invitations
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


@account.command("invite")
def account_invite(
    name: NameArgument,
    role: Annotated[Role, typer.Option(help="An owner manages people, a keeper answers alarms, a viewer looks.")] = (
        Role.KEEPER
    ),
    days: Annotated[float, typer.Option(help=f"How long the link works, at most {LONGEST_DAYS}.")] = DAYS,
) -> None:
    """Make a link by which someone chooses their own password; it is printed once and works once."""
    settings, store = load_settings(), _store()
    with store.read() as session:
        if not all_people(session):
            raise BadUse("the first account is an owner's, and made here: `wardian account add NAME --role owner`")
    made = invite(store, name, role, BY, datetime.now(UTC), days)
    store.close()
    typer.echo(f"{_base(settings)}/invitation/{made.secret}")
    said = f"Send it to {made.name}, and to nobody else. It works once, until {made.ends_at:%Y-%m-%d %H:%M}Z."
    if not settings.public_url:
        said += " Where it is opened elsewhere, put the address that the pages have there before /invitation/."
    typer.echo(said, err=True)


@account.command("invitations")
def account_invitations() -> None:
    """List the invitations that nobody has taken up yet."""
    store, now = _store(), datetime.now(UTC)
    with store.read() as session:
        rows = open_invitations(session, now)
    store.close()
    table = Table("number", "name", "role", "since", "by", "until", box=None, pad_edge=False)
    for row in rows:
        table.add_row(
            str(row.id), row.name, role_of(row), f"{row.made_at:%Y-%m-%d}", row.made_by, f"{row.expires_at:%Y-%m-%d}"
        )
    _print(table)


@account.command("withdraw")
def account_withdraw(number: Annotated[int, typer.Argument(help="As `account invitations` shows it.")]) -> None:
    """Let the link of an invitation open nothing any more."""
    store = _store()
    name = withdraw(store, number, BY, datetime.now(UTC))
    store.close()
    typer.echo(f"The invitation of {name} opens nothing any more.")


@account.command("sign-out")
def account_sign_out(name: NameArgument) -> None:
    """Sign a person out everywhere; their password stays what it is."""
    store = _store()
    sign_out_everywhere(store, name, BY, datetime.now(UTC))
    store.close()
    typer.echo(f"{name} is signed out everywhere.")


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
    _print(table)


def _print(table: Table) -> None:
    console = Console()
    console.print(table, width=None if console.is_terminal else _WIDE)


def _base(settings: Settings) -> str:
    """Return the address of the pages as it is best known here."""
    return settings.public_url or f"http://{settings.web}"
