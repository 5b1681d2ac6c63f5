"""`wardian read-probes`: the probes that hang on this computer, read through the kernel's files."""

import re
import signal
import socket
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from threading import Event
from typing import Annotated, Final

import structlog
import typer
from rich.console import Console

from sensors.readers.publishing import BrokerLink, Publisher
from sensors.readers.run import Reader, keep, messages_of, run, sweep
from sensors.readers.spool import Spool
from service.errors import BadUse, BrokerUnreachable
from service.ingest.broker_address import address_of
from service.logs import configure_logs
from service.model import Keyed
from service.settings import Settings, host_and_port, load_settings

PLACE: Final = "{probe}"
FLUSH_S: Final = 10.0
"""How long the last sweep may take to arrive when the reader is told to stop, or reads once. [s]"""
err = Console(stderr=True, highlight=False)


def read_probes(
    every: Annotated[float, typer.Option(min=1, max=3600, help="Seconds from one reading to the next.")] = 60,
    topic: Annotated[str, typer.Option(help="MQTT topic; {probe} stands for the probe's name.")] = "probes/{probe}",
    called: Annotated[
        list[str] | None,
        typer.Option("--as", metavar="DEVICE=PROBE", help="Another name for a probe; may be repeated."),
    ] = None,
    root: Annotated[Path, typer.Option(help="Where the kernel's files are.")] = Path("/sys"),
    spool: Annotated[
        Path | None, typer.Option(help="Folder for what the broker has not taken; default: in the data folder.")
    ] = None,
    once: Annotated[bool, typer.Option("--once", help="Read and publish once, then end.")] = False,
    show: Annotated[bool, typer.Option("--list", help="Say what is found and what it reads; publish nothing.")] = False,
) -> None:
    """Read this computer's own probes (1-wire and industrial I/O) and publish them to the broker over MQTT."""
    settings = load_settings()
    configure_logs(settings.log)
    reader = Reader(root, every, _topic(topic), _names(called or []))
    if show:
        raise typer.Exit(_listed(reader))
    waiting = Spool(spool or settings.data / "probe-spool")
    log = structlog.get_logger("service.probes")
    link = _link(settings)
    publisher = Publisher(link, waiting, lambda said: log.info("broker", broker=str(link), state=said))
    publisher.start()
    try:
        if once:
            raise typer.Exit(_once(reader, publisher, waiting, link))
        _until_told(reader, publisher, waiting)
    finally:
        keep(waiting, log.warning)
        publisher.stop()


def _until_told(reader: Reader, publisher: Publisher, waiting: Spool) -> None:
    """Read and publish until the service manager, or Ctrl+C, says stop."""
    stop = Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    log = structlog.get_logger("service.probes")
    run(reader, publisher, waiting, stop, log.info)
    if not publisher.connected:
        return
    publisher.flush(FLUSH_S)


def _once(reader: Reader, publisher: Publisher, waiting: Spool, link: BrokerLink) -> int:
    at = datetime.now(UTC)
    found = sweep(reader.root)
    if messages := messages_of(found, reader, at):
        waiting.put(messages)
    _tell_unread(reader, [(one.device, one.why_not) for one in found])
    if not publisher.flush(FLUSH_S):
        raise BrokerUnreachable(
            f"{link}: did not take the readings within {FLUSH_S:g} s; they wait, and are sent next time"
        )
    err.print(f"{len(messages)} probes published to {link}.")
    return 1 if not messages or any(one.why_not for one in found) else 0


def _listed(reader: Reader) -> int:
    """Say what is found; 1 when there is nothing, or something cannot be read."""
    found = sweep(reader.root)
    for one in found:
        values = ", ".join(f"{field} {value:g}" for field, value in one.values.items())
        name = reader.names.get(one.device, one.device)
        shown = name if name == one.device else f"{one.device} as {name}"
        typer.echo(f"{shown}: {values or 'nothing'}; publishes to {reader.topic.format(probe=name)}")
    _tell_unread(reader, [(one.device, one.why_not) for one in found])
    return 1 if not found or any(one.why_not for one in found) else 0


def _tell_unread(reader: Reader, found: Sequence[tuple[str, tuple[str, ...]]]) -> None:
    if not found:
        err.print(
            f"No probe was found below {reader.root}: are the drivers loaded (w1_therm, or that of the element), and "
            "is the bus switched on? docs/first-probe.md tells how.",
            markup=False,
            soft_wrap=True,
        )
    for device, reasons in found:
        for reason in reasons:
            err.print(f"{device}: {reason}", markup=False, soft_wrap=True)


def _topic(topic: str) -> str:
    if topic.count(PLACE) != 1 or topic.count("{") != 1 or topic.count("}") != 1 or re.search(r"[#+\x00\s]", topic):
        raise BadUse(
            f"--topic: {topic!r} is no topic with one {PLACE} in it and no # or +; write for example probes/{PLACE}"
        )
    return topic


def _names(pairs: Sequence[str]) -> dict[str, str]:
    names: dict[str, str] = {}
    for pair in pairs:
        device, _, probe = pair.partition("=")
        if not device or not re.fullmatch(Keyed.KEY_PATTERN, probe):
            raise BadUse(f"--as: {pair!r} is not DEVICE=PROBE; write for example w1-28-0316a2799f1e=a3-top")
        if probe in names.values():
            raise BadUse(f"--as: two devices are called {probe!r}; give each a name of its own")
        names[device] = probe
    return names


def _link(settings: Settings) -> BrokerLink:
    """Return the broker of the settings; the embedded one where they name no other."""
    client = f"wardian-probes-{re.sub(r'[^A-Za-z0-9]', '-', socket.gethostname())}"[:64]
    if settings.broker == "embedded":
        host, port = host_and_port(settings.broker_listen)
        user = settings.broker_user or None
        return BrokerLink(host, port, user=user, password=settings.broker_password or None, client_id=client)
    at = address_of(settings.broker)
    return BrokerLink(at.host, at.port, at.tls, at.user, at.password, client)
