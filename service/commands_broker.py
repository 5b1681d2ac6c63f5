"""`wardian probe-credentials`: a password at the broker for each probe."""

import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final

import typer
from rich.console import Console
from rich.table import Table
from typer.core import TyperGroup

from service.errors import BadUse
from service.ingest.broker_accounts import add_user, remove_user, users
from service.ingest.broker_configuration import BrokerFiles, name_in_certificate, read_configuration, read_text

RELOAD: Final = "sudo systemctl reload mosquitto"
_WIDE: Final = 140


class _ShortWay(TyperGroup):
    """Takes a name that is no command for the probe that gets a password: `add` need not be said."""

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:  # noqa: ANN401 - typer names its own kinds nowhere
        if args and args[0] not in self.commands and not args[0].startswith("-"):
            args = ["add", *args]
        return super().resolve_command(ctx, args)


app = typer.Typer(
    cls=_ShortWay, no_args_is_help=True, help="A password for each probe, in the files of a Mosquitto on this computer."
)
ProbeArgument = Annotated[str, typer.Argument(metavar="PROBE", help="The probe's id in the room file: its user name.")]
ConfigurationOption = Annotated[Path, typer.Option(help="The broker's configuration, which names the other files.")]
PasswordsOption = Annotated[Path | None, typer.Option(help="The password file, where it is elsewhere.")]
AccessOption = Annotated[Path | None, typer.Option(help="The access list, where it is elsewhere.")]
CONFIGURATION: Final = Path("/etc/mosquitto/mosquitto.conf")


@dataclass(frozen=True, slots=True)
class _Told:
    """What a probe must know."""

    user: str
    password: str
    topic: str
    host: str
    port: int
    authority: Path


@app.command("add")
def add(
    probe: ProbeArgument,
    topic: Annotated[str | None, typer.Option(help="Where it publishes. Default: probes/ and its id.")] = None,
    host: Annotated[str | None, typer.Option(help="The broker's name for probes. Default: its certificate's.")] = None,
    renew: Annotated[bool, typer.Option("--renew", help="Give one that has a password another.")] = False,
    configuration: ConfigurationOption = CONFIGURATION,
    passwords: PasswordsOption = None,
    access_list: AccessOption = None,
) -> None:
    """Give a probe a password, shown this once, and say what to type into it; `add` may be left out."""
    files, password_file, access = _files(configuration, passwords, access_list)
    if files.authority is None or files.certificate is None:
        raise BadUse(f"{configuration}: no listener has cafile and certfile; set up TLS as deploy/mosquitto does")
    host = host or name_in_certificate(files.certificate)
    if host is None:
        raise BadUse(f"{files.certificate}: no name can be read from it; say how probes find the broker with --host")
    topic = topic or f"probes/{probe}"
    password, granted = add_user(password_file, access, probe, topic, renew=renew)
    told = _Told(probe, password, topic, host, files.port, files.authority)
    typer.echo(f"{probe} may publish to {topic}, by this line of {access}: {granted}")
    typer.echo(_told(told))


@app.command("list")
def list_all(
    configuration: ConfigurationOption = CONFIGURATION,
    passwords: PasswordsOption = None,
    access_list: AccessOption = None,
) -> None:
    """List who has a password at the broker, and what each may publish and read."""
    _, password_file, access = _files(configuration, passwords, access_list)
    table = Table("user", "may publish", "may read", box=None, pad_edge=False)
    for name, publishes, reads in users(password_file, access):
        table.add_row(name, ", ".join(publishes) or "nothing", ", ".join(reads) or "nothing")
    console = Console()
    console.print(table, width=None if console.is_terminal else _WIDE)


@app.command("revoke")
def revoke(
    probe: ProbeArgument,
    configuration: ConfigurationOption = CONFIGURATION,
    passwords: PasswordsOption = None,
    access_list: AccessOption = None,
) -> None:
    """Take a probe's password away; it is out once the broker has taken that up."""
    _, password_file, access = _files(configuration, passwords, access_list)
    remove_user(password_file, access, probe)
    typer.echo(f"{probe} has no password any more. The broker takes it up, and cuts it off, with:\n\n  {RELOAD}")


def _files(configuration: Path, passwords: Path | None, access: Path | None) -> tuple[BrokerFiles, Path, Path]:
    files = read_configuration(read_text(configuration, "the broker's configuration"))
    password_file, access_list = passwords or files.passwords, access or files.access
    if password_file is None or access_list is None:
        missing = "password_file" if password_file is None else "acl_file"
        raise BadUse(f"{configuration}: it names no {missing}; use the configuration of deploy/mosquitto")
    return files, password_file, access_list


def _told(told: _Told) -> str:
    """Return what the keeper does next; the password stands in it."""
    line = shlex.join([
        "mosquitto_pub", "-h", told.host, "-p", str(told.port), "--cafile", str(told.authority), "-u", told.user,
        "-P", told.password, "-q", "1", "-t", told.topic, "-m", '{"temperature": 24.6}',
    ])  # fmt: skip
    return f"""
Note this down now: only a hash of the password is kept.

  address    {told.host}
  port       {told.port}, TLS
  authority  {told.authority} (copy it to the probe: it shows that the broker is yours)
  user       {told.user}
  password   {told.password}
  topic      {told.topic}, at QoS 1

The broker takes it up without a restart (SIGHUP), and no other probe is cut off:

  {RELOAD}

Then this line does as the probe would; while it runs, other users of this computer can see the password:

  {line}

On a board that runs sensors/examples: make ca.der with `openssl x509 -in {told.authority} -outform DER -out ca.der`,
copy it to the board, and write into probe_settings.py:

  NAME = "{told.user}"
  TOPIC = b"{told.topic}"
  BROKER = "{told.host}"
  PORT = {told.port}
  AUTHORITY = "ca.der"
  USER = "{told.user}"
  PASSWORD = "{told.password}"
"""
