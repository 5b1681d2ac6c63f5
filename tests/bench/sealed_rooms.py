"""Readings for the figures of sealed days: what simulated probes send, and what years of them look like."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from sensors.simulator import SimulatedRoom
from sensors.simulator.sampling import by_channel
from service.model import Flag
from service.store.block_rows import DayArrays, note_sealed, write_block
from service.store.blocks import DAY_MS
from service.store.engine import Store
from tests.bench.rooms import breeding_room

START_MS: Final = 1_767_225_600_000  # 2026-01-01T00:00:00Z
EVERY_MS: Final = 30_000
JITTER_MS: Final = 25.0
_DAYS_AT_ONCE: Final = 30


@dataclass(frozen=True, eq=False)
class ChannelMonth:
    """A channel's readings: times [ms since 1970, UTC] and values, shape (n,)."""

    at: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.at)


def simulated_month(enclosures: int, days: int, jitter_ms: float) -> list[ChannelMonth]:
    """Return what climate probes of 0.01 °C and 0.01 %RH send every 30 s, two channels an enclosure.

    Parameters
    ----------
    enclosures, days : int
    jitter_ms : float
        Standard deviation of the times from their grid; 0 for exact ones. [ms]
    """
    scene, chance = breeding_room(enclosures, EVERY_MS / 1000, clocks=True), np.random.default_rng(7)
    parts: dict[tuple[str, str], list[npt.NDArray[np.float64]]] = {}
    for _truth, sent in SimulatedRoom(scene, seed=5).history(START_MS, START_MS + days * DAY_MS):
        for of in by_channel(sent):
            if of.probe.endswith("-top"):
                parts.setdefault((of.probe, of.quantity), []).append(of.value)
    found = []
    for number, part in enumerate(parts.values()):
        value = np.round(np.concatenate(part), 2)
        at = START_MS + 1_000 + 37 * number + EVERY_MS * np.arange(len(value), dtype=np.int64)
        late = np.rint(np.clip(chance.normal(0, jitter_ms, len(at)), -900, 900)) if jitter_ms else np.zeros(len(at))
        found.append(ChannelMonth(at + late.astype(np.int64), value))
    return found


def years(days: int, every_ms: int, seed: int) -> ChannelMonth:
    """Return a channel with a day's and a year's course, noise of 0.05 and 0.01 units, and times that jitter."""
    chance, count = np.random.default_rng(seed), days * DAY_MS // every_ms
    nominal = START_MS + every_ms * np.arange(count, dtype=np.int64)
    course = 26 + 4 * np.sin(nominal / DAY_MS * 2 * np.pi) + 2 * np.sin(nominal / DAY_MS / 365.25 * 2 * np.pi)
    value = np.round(course + chance.normal(0, 0.05, count), 2)
    return ChannelMonth(nominal + np.rint(np.abs(chance.normal(0, JITTER_MS, count))).astype(np.int64), value)


def seal_into(
    store: Store, channel_id: int, month: ChannelMonth, told: Callable[[int], object] = lambda _days: None
) -> None:
    """Write a channel's days as blocks, as the sealer does, some in a transaction."""
    flags = np.full(len(month), int(Flag.DEVICE_CLOCK), np.int16)
    days = month.at // DAY_MS
    edges = np.concatenate(([0], np.flatnonzero(np.diff(days)) + 1, [len(days)])).tolist()
    for first in range(0, len(edges) - 1, _DAYS_AT_ONCE):
        with store.write() as session:
            for low, high in zip(edges[first:-1][:_DAYS_AT_ONCE], edges[first + 1 :][:_DAYS_AT_ONCE], strict=True):
                day = int(days[low])
                write_block(
                    session, channel_id, day, DayArrays(month.at[low:high], month.value[low:high], flags[low:high])
                )
                note_sealed(session, day)
        told(min(first + _DAYS_AT_ONCE, len(edges) - 1))
