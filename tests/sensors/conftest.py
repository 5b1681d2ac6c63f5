"""Simulated rooms shared by the tests of this folder: run once, read by many."""

from dataclasses import replace

import pytest

from sensors.simulator import KEEPINGS, Enclosure, Fault, RoomClimate, Scene, Simulator, Truth
from sensors.simulator.keepings import MESH_DAY_GECKOS, Keeping

DAY_MS = 86_400_000
HOUR_MS = 3_600_000
START_MS = 1_772_323_200_000  # 2026-03-01T00:00:00Z; the site below keeps UTC that day.

GLASS = KEEPINGS["phelsuma-grandis"]
DRAGONS = KEEPINGS["pogona-vitticeps"]
ROYAL = KEEPINGS["python-regius"]
DRY = replace(GLASS, misting=())
ROYAL_DRY = replace(ROYAL, misting=())
HOT_35 = replace(DRAGONS, equipment=replace(DRAGONS.equipment, lamp_set=35.0))

HEALTHY: dict[str, Keeping] = {
    "glass": GLASS,
    "mesh": MESH_DAY_GECKOS,
    "dry": DRY,
    "royal-dry": ROYAL_DRY,
    "hot-35": HOT_35,
    "dragons": DRAGONS,
    "royal": ROYAL,
    "frogs": KEEPINGS["dendrobates-tinctorius"],
    "crested": KEEPINGS["correlophus-ciliatus"],
    "tree": KEEPINGS["morelia-viridis"],
    "corn": KEEPINGS["pantherophis-guttatus"],
    "leopard": KEEPINGS["eublepharis-macularius"],
}
NOON_MS = START_MS + DAY_MS + 12 * HOUR_MS
EVENING_MS = START_MS + DAY_MS + 18 * HOUR_MS
END_MS = START_MS + 3 * DAY_MS
BROKEN: dict[str, tuple[Keeping, Fault]] = {
    "stuck": (DRAGONS, Fault("stuck-thermostat", "stuck", NOON_MS, END_MS)),
    "welded": (DRAGONS, Fault("welded-relay", "welded", NOON_MS, END_MS)),
    "heater": (
        replace(ROYAL, basking=False),
        Fault("stuck-thermostat", "heater", NOON_MS, END_MS),
    ),
    "dark": (DRAGONS, Fault("dead-lamp", "dark", NOON_MS, END_MS)),
    "dead-pump": (GLASS, Fault("dead-pump", "dead-pump", NOON_MS, END_MS)),
    "clogging": (GLASS, Fault("clogging-nozzle", "clogging", START_MS, END_MS, 0.9)),
    "stuck-light": (DRAGONS, Fault("lights-stuck-on", "stuck-light", EVENING_MS, END_MS)),
    "leaking": (DRAGONS, Fault("water-leak", "leaking", NOON_MS, END_MS, 1.0)),
    "late-light": (DRAGONS, Fault("lights-late", "late-light", START_MS + DAY_MS, END_MS, 2.0)),
}


def named(key: str, keeping: Keeping) -> Enclosure:
    return replace(keeping.enclosure(1, "A", 1, 1), id=key)


def a_scene(enclosures: tuple[Enclosure, ...], **changes: object) -> Scene:
    """Return a valid scene; a test names only the fields that it is about."""
    scene = Scene("Test house", "test-room", "Europe/Lisbon", RoomClimate(), enclosures)
    return replace(scene, **changes)


@pytest.fixture(scope="session")
def truth() -> Truth:
    """Three days of March: each way of keeping, healthy, and each equipment fault."""
    enclosures = tuple(named(key, keeping) for key, keeping in HEALTHY.items())
    enclosures += tuple(named(key, keeping) for key, (keeping, _) in BROKEN.items())
    scene = a_scene(enclosures, faults=tuple(fault for _, fault in BROKEN.values()))
    return Simulator(scene, seed=5).run(START_MS, END_MS)
