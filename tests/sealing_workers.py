"""A writer of readings and a sealer as processes of their own, to be killed together."""

import multiprocessing
import os
import random
import time
from collections.abc import Iterator
from multiprocessing.process import BaseProcess
from multiprocessing.sharedctypes import Synchronized
from pathlib import Path

from service.model import Flag
from service.store.blocks import DAY_MS
from service.store.engine import open_store
from service.store.readings import NewReading, add_readings
from service.store.sealing import next_piece, seal_pieces

_PROCESSES = multiprocessing.get_context("forkserver")
_PROCESSES.set_forkserver_preload(["tests.sealing_workers"])
CHANNELS = (1, 2)
DAY, DAYS, EVERY_MS = 20_000, 8, 300_000
START = DAY * DAY_MS
_TIMES = [START + n * EVERY_MS for n in range(DAYS * DAY_MS // EVERY_MS)]
_BATCH = 16
_PAUSE_S = 0.02
"""Between two pieces of a sealer: the writer shall come to its turn."""
STARTING, READY, BUSY = 0, 1, 2


def value_at(channel: int, at_ms: int) -> float:
    """Return what a channel says at a time, the first time that it says it."""
    return (channel * 7_919 + at_ms // 1000 * 31) % 10_007 / 100


def batches(seed: int) -> Iterator[list[NewReading]]:
    """Yield readings out of order: late ones, and some of batches before again, with another value."""
    chance = random.Random(seed)  # noqa: S311 - an order, no secret
    order = [(channel, at) for channel in CHANNELS for at in _TIMES]
    # By and large in order of time, so that days are sealed while they are still written to.
    order.sort(key=lambda each: each[1] + chance.uniform(0, 4 * DAY_MS))
    for first in range(0, len(order), _BATCH):
        again = chance.sample(order[:first], min(first, 2))
        new = order[first : first + _BATCH]
        yield [(channel, at, value_at(channel, at) + 1000, int(Flag.LATE)) for channel, at in again] + [
            (channel, at, value_at(channel, at), int(Flag.DEVICE_CLOCK)) for channel, at in new
        ]


def _write(url: str, seed: int, accepted: str, ready: "Synchronized[int]") -> None:
    """Store the batches that are not accepted yet, and note each once it is committed."""
    store, done = open_store(url), len(Path(accepted).read_bytes())
    ready.value = READY
    note = os.open(accepted, os.O_WRONLY | os.O_APPEND)
    for number, batch in enumerate(batches(seed)):
        if number < done:
            continue
        with store.write() as session:
            add_readings(session, batch)
        os.write(note, b".")


def _seal(url: str, seed: int, within: "Synchronized[int]") -> None:
    """Seal whatever is there, over and over, a few rows at a time."""
    store, chance = open_store(url), random.Random(seed)  # noqa: S311 - sizes, no secret
    over_ms = START + (DAYS + 1) * DAY_MS
    within.value = READY
    while True:
        with store.read() as session:
            found = [next_piece(session, channel, 0, over_ms, chance.randint(20, 400)) for channel in CHANNELS]
        if pieces := [piece for piece in found if piece is not None]:
            within.value = BUSY
            seal_pieces(store, pieces)
            within.value = READY
        time.sleep(_PAUSE_S)


class Both:
    """The two processes; killed, they are killed at once.

    Parameters
    ----------
    url : str
        Of the database.
    accepted : Path
        Holds a byte for each batch that was committed.
    """

    def __init__(self, url: str, accepted: Path, sealers: int = 1) -> None:
        self._url, self._accepted = url, accepted
        self._states = [_PROCESSES.Value("i", STARTING) for _ in range(sealers + 1)]
        self._running: list[BaseProcess] = []

    def start(self, seed: int, order: int) -> None:
        """Start them, and wait until they are at work."""
        for state in self._states:
            state.value = STARTING
        writes, *seals = self._states
        self._running = [_PROCESSES.Process(target=_write, args=(self._url, order, str(self._accepted), writes))]
        self._running += [
            _PROCESSES.Process(target=_seal, args=(self._url, seed + number, state))
            for number, state in enumerate(seals)
        ]
        for process in self._running:
            process.start()
        deadline = time.monotonic() + 60
        while any(state.value == STARTING for state in self._states):
            assert time.monotonic() < deadline, "they have not started within 60 s"
            time.sleep(0.001)

    def wait_for_sealing(self) -> None:
        """Wait until a day is being sealed; not for ever, since all may be sealed."""
        deadline = time.monotonic() + 2
        while all(state.value != BUSY for state in self._states) and time.monotonic() < deadline:
            time.sleep(0.0005)

    def has_written_all(self) -> bool:
        return not self._running[0].is_alive()

    def kill(self) -> bool:
        """End them as a power cut would; return whether a day was being sealed."""
        for process in self._running:
            process.kill()
        for process in self._running:
            process.join(20)
        return any(state.value == BUSY for state in self._states)
