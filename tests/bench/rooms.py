"""The rooms that are measured: any number of enclosures, two probes and four channels each."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from itertools import cycle, islice
from pathlib import Path

from sensors.simulator import KEEPINGS, Channel, Enclosure, Probe, RoomClimate, Scene, room_toml
from service.roomfile.applying import apply_room_file
from service.roomfile.reading import parse_room_file
from service.store.engine import Store, open_store

ENCLOSURES = 200
_SLOTS, _LEVELS = 5, 4


@contextmanager
def scratch() -> Iterator[Path]:
    """Give an empty folder on a disk: /tmp may be memory, where a commit costs nothing."""
    on_disk = Path("/var/tmp")  # noqa: S108 - a folder of our own is made in it, readable by us alone
    with tempfile.TemporaryDirectory(prefix="wardian-bench-", dir=on_disk if on_disk.is_dir() else None) as name:
        yield Path(name)


def breeding_room(enclosures: int = ENCLOSURES, every: float = 30.0, *, clocks: bool = False) -> Scene:
    """Return a room of all species in turn.

    Parameters
    ----------
    enclosures : int
    every : float
        Cadence. [s]
    clocks : bool
        Whether every probe has a clock; by default every second one.
    """
    keepings = islice(cycle(KEEPINGS.values()), enclosures)
    made = []
    for number, keeping in enumerate(keepings):
        rack, place = divmod(number, _SLOTS * _LEVELS)
        made.append(keeping.enclosure(number + 1, _letters(rack), place // _SLOTS + 1, place % _SLOTS + 1))
    probes = tuple(probe for enclosure in made for probe in _probes(enclosure, every, clocks=clocks))
    return Scene("Breeding room", "hall", "Europe/Lisbon", RoomClimate(), tuple(made), probes)


def _letters(number: int) -> str:
    """Name a rack: A to Z, then AA, AB and so on."""
    before, last = divmod(number, 26)
    return (_letters(before - 1) if before else "") + chr(ord("A") + last)


def _probes(enclosure: Enclosure, every: float, *, clocks: bool) -> tuple[Probe, Probe]:
    """Return a climate probe with a clock, and a thermometer with two elements that has none unless asked."""
    short = enclosure.id.removeprefix("rack-")
    top = Probe(
        f"{short}-top", "sht31", f"probes/{short}-top",
        (
            Channel("air_temperature", enclosure.id, "ambient", "/temperature"),
            Channel("relative_humidity", enclosure.id, "ambient", "/humidity"),
        ),
        every=every, time_pointer="/at", time_style="epoch-ms",
    )  # fmt: skip
    spot = Probe(
        f"{short}-spot", "ds18b20", f"probes/{short}-spot",
        (
            Channel("surface_temperature", enclosure.id, "basking", "/spot"),
            Channel("air_temperature", enclosure.id, "cool-end", "/cool"),
        ),
        every=every,
    )  # fmt: skip
    return top, replace(spot, time_pointer="/at", time_style="epoch-ms") if clocks else spot


def furnished(folder: Path, scene: Scene) -> Store:
    """Return a new store in a folder, with the scene's room applied from its room file."""
    store = open_store(database_of(folder))
    apply_room_file(store, parse_room_file(room_toml(scene)), by="the bench", now=datetime.now(UTC))
    return store


def database_of(folder: Path) -> str:
    """Return the URL of a folder's database, where the service itself would put it."""
    return f"sqlite:///{folder / 'data' / 'wardian.db'}"
