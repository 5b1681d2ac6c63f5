"""The commands: which there are, and how an error ends one.

Exit status: 0 done, 1 found something wrong, 2 bad use.
"""

import sys
from typing import Final

import typer

from service.commands_later import Later, group_of
from service.errors import BadUse, SettingInvalid, WardianError

COMMANDS: Final = {
    "lookback": Later(
        "service.commands_lookback:lookback",
        "Say what an enclosure, an animal or a clutch lived through, as text, JSON, HTML, PDF or a bundle of tables.",
    ),
    "lookout": Later(
        "service.commands_lookout:lookout",
        "Tell by routes of its own when nothing is heard of another machine's Wardian; it needs no database.",
    ),
    "verify": Later(
        "service.commands_lookback:verify",
        "Say whether a report still is what the data say: it is made anew from the readings and compared byte by byte.",
    ),
    "replay": Later(
        "service.commands_replay:replay",
        "Feed the stored readings through the watch again and compare the alarms; exit 1 where they differ.",
    ),
    "read-probes": Later(
        "service.commands_probes:read_probes",
        "Read this computer's own probes (1-wire and industrial I/O) and publish them to the broker over MQTT.",
    ),
    "up": Later(
        "service.commands_parts:up",
        "Watch a real room: broker, ingest, watch, jobs and pages in one process.",
    ),
    "ingest": Later(
        "service.commands_parts:ingest",
        "Hear the probes and store their readings; the other parts run apart.",
    ),
    "watch": Later(
        "service.commands_parts:watch",
        "Hold what is stored against the profiles and raise alarms; several share the rooms.",
    ),
    "web": Later(
        "service.commands_parts:web",
        "Serve the pages and the HTTP interface.",
    ),
    "jobs": Later(
        "service.commands_parts:jobs",
        "Tell people of alarms, seal days, take backups, send the heartbeat; of several, one does.",
    ),
    "backup": Later(
        "service.commands_store_care:backup",
        "Write a backup while Wardian runs, and try it by restoring it beside.",
    ),
    "restore": Later(
        "service.commands_store_care:restore",
        "Put a backup in place of the database; Wardian must be stopped.",
    ),
    "move-store": Later(
        "service.commands_store_care:move_store",
        "Copy the store into another database and compare the two; after a break, the same command goes on.",
    ),
    "doctor": Later(
        "service.commands_doctor:doctor",
        "Look at settings, database, broker, clock, disk, backups, pages and telling; exit 1 when something is wrong.",
    ),
    "seal": Later(
        "service.commands_store:seal",
        "Seal the past days that are quiet, now: each becomes one compressed row. Wardian may run meanwhile.",
    ),
    "retention": Later(
        "service.commands_store:retention",
        "Say which readings are older than the rule keeps, and delete them; summaries and pinned spans stay.",
    ),
    "pin": Later(
        "service.commands_store:pin",
        "Pin a span: retention never deletes a day that it touches.",
    ),
    "demo": Later(
        "service.commands_demo:demo",
        "Show a simulated room with faults: real MQTT, loopback only, nothing kept afterwards but demo-data/.",
    ),
    "room": Later(
        "service.commands_room:room",
        "The room file: what stands where, and what it should be.",
    ),
    "readings": Later(
        "service.commands_readings:readings",
        "Readings as CSV, in and out.",
    ),
    "account": Later(
        "service.commands_people:account",
        "People who can sign in: owners, keepers, viewers.",
    ),
    "contact": Later(
        "service.commands_telling:contact",
        "Who is told of alarms: the contacts of the room file.",
    ),
    "token": Later(
        "service.commands_tokens:token",
        "Keys that let a program or a wall in without a sign-in.",
    ),
    "probe-credentials": Later(
        "service.commands_broker:app",
        "A password for each probe, in the files of a Mosquitto on this computer.",
    ),
}

app = typer.Typer(
    cls=group_of(COMMANDS),
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_show_locals=False,
    help="Watches the climate of a room of enclosures.",
)


@app.callback()
def wardian() -> None:
    """Take nothing before the name of a command."""


def main() -> None:
    """Run a command; an error is one sentence on standard error, never a traceback."""
    try:
        app()
    except (BadUse, SettingInvalid) as exc:
        typer.echo(f"wardian: {exc}", err=True)
        sys.exit(2)
    except WardianError as exc:
        typer.echo(f"wardian: {exc}", err=True)
        sys.exit(1)
    except KeyboardInterrupt:
        sys.exit(130)
