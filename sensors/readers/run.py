"""Sweeps over this computer's probes at a steady pace: read, note the time, publish."""

import json
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from threading import Event
from typing import Final

from sensors.readers.iio import read_iio
from sensors.readers.kernel_files import Sensed
from sensors.readers.one_wire import read_one_wire
from sensors.readers.publishing import Publisher
from sensors.readers.spool import Outgoing, Spool

Tell = Callable[..., None]
"""Called with an event and its facts, for the log."""
EARLIEST: Final = datetime(2024, 1, 1, tzinfo=UTC)
"""A clock before this was never set: a small computer has none that runs while it is off."""
_LOOK_S: Final = 0.2


@dataclass(frozen=True, slots=True)
class Reader:
    """What is read, how often, and how it is named.

    Attributes
    ----------
    root : Path
        Of the kernel's files.
    every_s : float
        From one sweep to the next. [s]
    topic : str
        With ``{probe}`` in the place of the probe's name.
    names : mapping of str
        From the kernel's name of a device to the probe's name in the room.
    """

    root: Path = Path("/sys")
    every_s: float = 60.0
    topic: str = "probes/{probe}"
    names: Mapping[str, str] = field(default_factory=dict)


def sweep(root: Path) -> list[Sensed]:
    """Read every probe that is there now. A thermometer on the 1-wire bus takes three quarters of a second."""
    return [*read_one_wire(root), *read_iio(root)]


def messages_of(found: Iterable[Sensed], reader: Reader, at: datetime) -> list[Outgoing]:
    """Return a message for each probe that said something, each with its time.

    Parameters
    ----------
    found : iterable of Sensed
    reader : Reader
    at : datetime
        When they were read. Before `EARLIEST` the clock was not set, and the message carries no time: it is that of
        its arrival then.
    """
    stamp = {"at": at.isoformat(timespec="milliseconds").replace("+00:00", "Z")} if at >= EARLIEST else {}
    return [
        Outgoing(reader.topic.format(probe=reader.names.get(one.device, one.device)), json.dumps(stamp | one.values))
        for one in found
        if one.values
    ]


class Changes:
    """Tells what is new: probes that came or went, and probes that give no value, each once."""

    def __init__(self, tell: Tell) -> None:
        self._tell = tell
        self._there: set[str] = set()
        self._why: dict[str, tuple[str, ...]] = {}

    def note(self, found: Sequence[Sensed]) -> None:
        """Compare a sweep with the one before it."""
        there = {one.device for one in found}
        for device in sorted(there - self._there):
            self._tell("probe_found", device=device)
        for device in sorted(self._there - there):
            self._tell("probe_gone", device=device)
        why = {one.device: one.why_not for one in found if one.why_not}
        for device, reasons in why.items():
            if self._why.get(device) != reasons:
                self._tell("probe_not_read", device=device, reason="; ".join(reasons))
        for device in sorted(set(self._why) - set(why)):
            if device in there:
                self._tell("probe_read_again", device=device)
        self._there, self._why = there, why


def run(reader: Reader, publisher: Publisher, spool: Spool, stop: Event, tell: Tell) -> None:
    """Read and publish until told to stop.

    Parameters
    ----------
    reader : Reader
    publisher : Publisher
        Started; it is left running.
    spool : Spool
        What the publisher publishes from.
    stop : threading.Event
    tell : callable
        For the log.

    Notes
    -----
    A sweep that the broker did not take before the next is due is written down, and published when it answers again.
    """
    changes = Changes(tell)
    due = time.monotonic()
    while not stop.is_set():
        if time.monotonic() >= due:
            # A sweep that took too long, or a computer that slept, is not made up for.
            due = max(due + reader.every_s, time.monotonic())
            if len(spool):
                keep(spool, tell)
            at = datetime.now(UTC)
            found = sweep(reader.root)
            changes.note(found)
            if messages := messages_of(found, reader, at):
                spool.put(messages)
        arrived = publisher.flush(_LOOK_S)
        for name in spool.damaged():
            tell("sweep_damaged", file=name)
        if arrived:
            stop.wait(min(_LOOK_S, max(0.0, due - time.monotonic())))


def keep(spool: Spool, tell: Tell) -> None:
    """Write down what waits; while the disk cannot be written it waits in memory, which is told."""
    try:
        spool.keep()
    except OSError as exc:
        tell("sweeps_not_kept", reason=str(exc.strerror), waiting=len(spool))
