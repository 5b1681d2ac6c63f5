"""Rooms at random: species, boxes, hours, cadences, probe models and faults, to test what is found in them."""

from dataclasses import replace

import numpy as np

from sensors.simulator.keepings import KEEPINGS, MESH_DAY_GECKOS, Keeping
from sensors.simulator.scene import (
    Channel,
    Enclosure,
    Fault,
    FaultKind,
    MistingTime,
    Probe,
    RoomClimate,
    Scene,
)

_DAY_MS = 86_400_000
_HOUR_MS = 3_600_000
# Where each zone lies, so that the sun keeps its hours. [°, east positive]
_LONGITUDES = {
    "Europe/Lisbon": -9.1,
    "America/New_York": -74.0,
    "Australia/Adelaide": 138.6,
    "Asia/Kolkata": 82.5,
    "Europe/Helsinki": 24.9,
    "UTC": 0.0,
}
_AIR_MODELS = ("am2302", "sht30", "sht31", "sht35", "sht40", "sht41", "bme280", "generic")
_THERMOMETERS = ("ds18b20", "ntc-10k-3950", "generic")
_CADENCES = (10.0, 30.0, 60.0, 60.0, 120.0, 300.0)
ENCLOSURE_FAULTS: tuple[FaultKind, ...] = (
    "stuck-thermostat",
    "welded-relay",
    "dead-lamp",
    "dead-pump",
    "clogging-nozzle",
    "lights-stuck-on",
    "lights-late",
)
"""Faults of an enclosure's equipment."""
PROBE_FAULTS: tuple[FaultKind, ...] = ("stuck-probe", "wet-probe", "silent-probe", "drifting-probe")
"""Faults of a probe."""
FURTHER_FAULTS: tuple[FaultKind, ...] = ("water-leak", "glitching-probe")
"""Of an enclosure and of a probe: drawn last and apart, so that a seed gives the same room with or without them."""
_HOURS: dict[FaultKind, tuple[float, float]] = {
    "stuck-thermostat": (3.0, 30.0),
    "welded-relay": (3.0, 30.0),
    "dead-lamp": (6.0, 72.0),
    "dead-pump": (26.0, 96.0),
    "clogging-nozzle": (240.0, 480.0),
    "lights-stuck-on": (14.0, 40.0),
    "lights-late": (26.0, 72.0),
    "stuck-probe": (14.0, 60.0),
    "wet-probe": (24.0, 96.0),
    "silent-probe": (0.5, 24.0),
    "drifting-probe": (120.0, 480.0),
    "water-leak": (12.0, 48.0),
    "glitching-probe": (6.0, 72.0),
}


def _clock(minute: int) -> str:
    return f"{minute // 60 % 24:02d}:{minute % 60:02d}"


def _schedule(rng: np.random.Generator, keeping: Keeping) -> Keeping:
    """Move the hours, the misting times and the pump's seconds."""
    on = int(rng.integers(5 * 12, 10 * 12)) * 5
    length = int(rng.integers(10 * 12, 14 * 12 + 1)) * 5
    times = sorted(rng.choice(np.arange(20, length - 30, 5), size=len(keeping.misting), replace=False).tolist())
    misting = tuple(
        MistingTime(_clock(on + int(after)), float(rng.integers(int(due.seconds * 0.8), int(due.seconds * 1.5))))
        for after, due in zip(times, keeping.misting, strict=True)
    )
    return replace(keeping, lights_on=_clock(on), lights_off=_clock(on + length), misting=misting)


def _body(rng: np.random.Generator, keeping: Keeping) -> Keeping:
    """Make the box and the equipment a little different."""
    scale = rng.uniform(0.85, 1.15, 3)
    box = replace(
        keeping.box,
        width=keeping.box.width * scale[0],
        depth=keeping.box.depth * scale[1],
        height=keeping.box.height * scale[2],
        air_changes=keeping.box.air_changes * rng.uniform(0.7, 1.4),
        leaf_area=keeping.box.leaf_area * rng.uniform(0.8, 1.2),
        substrate_openness=keeping.box.substrate_openness * rng.uniform(0.6, 1.4),
    )
    setting = keeping.equipment.lamp_set + rng.uniform(-1.0, 1.0)
    return replace(keeping, box=box, equipment=replace(keeping.equipment, lamp_set=setting))


def _enclosures(rng: np.random.Generator, count: int) -> tuple[Enclosure, ...]:
    choices = [*KEEPINGS.values(), MESH_DAY_GECKOS]
    made: list[Enclosure] = []
    for number in range(count):
        keeping = _body(rng, _schedule(rng, choices[int(rng.integers(len(choices)))]))
        made.append(keeping.enclosure(number + 1, f"R{number // 20 + 1}", number % 20 // 5 + 1, number % 5 + 1))
    return tuple(made)


def _probes(rng: np.random.Generator, enclosure: Enclosure) -> tuple[Probe, ...]:
    every = float(rng.choice(_CADENCES))
    jitter, dropped = every * float(rng.uniform(0.0, 0.4)), float(rng.uniform(0.0, 0.03))
    key, place = enclosure.id, enclosure.id.removeprefix("rack-")

    def probe(part: str, model: str, *channels: Channel) -> Probe:
        probe_id = f"{place}-{part}"
        return Probe(
            probe_id, model, f"probes/{probe_id}", channels,
            every=every, time_pointer="/at", jitter=jitter, drop_rate=dropped,
        )  # fmt: skip

    top = probe(
        "top", str(rng.choice(_AIR_MODELS)),
        Channel("air_temperature", key, "ambient", "/temperature"),
        Channel("relative_humidity", key, "ambient", "/humidity"),
    )  # fmt: skip
    cool = probe("cool", str(rng.choice(_THERMOMETERS)), Channel("air_temperature", key, "cool-end", "/celsius"))
    if enclosure.equipment.lamp_watts == 0:
        return top, cool, probe("light", "generic-light", Channel("illuminance", key, "canopy", "/lux"))
    spot = Channel("surface_temperature", key, "basking", "/celsius")
    return top, cool, probe("spot", str(rng.choice(_THERMOMETERS)), spot)


def _severity(rng: np.random.Generator, kind: FaultKind) -> float:
    if kind == "clogging-nozzle":
        return float(rng.uniform(0.7, 1.0))
    if kind == "lights-late":
        return float(rng.uniform(1.0, 4.0))
    if kind == "drifting-probe":
        return float(rng.choice([-1.0, 1.0]) * rng.uniform(0.1, 0.6))
    if kind == "water-leak":
        return float(rng.uniform(0.5, 2.0))
    if kind == "glitching-probe":
        return float(rng.uniform(0.01, 0.1))
    return 1.0


def _possible(enclosure: Enclosure, kind: FaultKind) -> bool:
    equipment = enclosure.equipment
    if kind in {"dead-pump", "clogging-nozzle"}:
        return bool(enclosure.misting)
    if kind in {"stuck-thermostat", "welded-relay", "dead-lamp"}:
        return equipment.lamp_watts > 0
    return True


def _faults(
    rng: np.random.Generator, enclosures: tuple[Enclosure, ...], probes: tuple[Probe, ...], span: tuple[int, int]
) -> tuple[Fault, ...]:
    """Give each enclosure one fault of its own at most, one in two none, and one probe in eight a fault."""
    targets = [(enclosure.id, ENCLOSURE_FAULTS, 0.5, enclosure) for enclosure in enclosures]
    targets += [(probe.id, PROBE_FAULTS, 0.12, None) for probe in probes]
    made: list[Fault] = []
    for where, kinds, share, enclosure in targets:
        if rng.random() > share:
            continue
        kind = kinds[int(rng.integers(len(kinds)))]
        if enclosure is not None and not _possible(enclosure, kind):
            continue
        made.append(_fault(rng, kind, where, span))
    return tuple(made)


def _fault(rng: np.random.Generator, kind: FaultKind, where: str, span: tuple[int, int]) -> Fault:
    start_ms, end_ms = span
    begin = int(start_ms + rng.uniform(0.15, 0.75) * (end_ms - start_ms))
    until = min(end_ms, begin + int(rng.uniform(*_HOURS[kind]) * _HOUR_MS))
    return Fault(kind, where, begin, until, _severity(rng, kind))


def _further_faults(
    rng: np.random.Generator, scene: Scene, span: tuple[int, int], leaks: float = 0.12, glitches: float = 0.03
) -> tuple[Fault, ...]:
    """Let water run into one sound enclosure in eight, and one sound climate probe in thirty glitch."""
    broken = {fault.where for fault in scene.faults}
    climate = [probe.id for probe in scene.probes if probe.model != "generic-light"]
    leaking = [e.id for e in scene.enclosures if rng.random() < leaks and e.id not in broken]
    glitching = [probe for probe in climate if rng.random() < glitches and probe not in broken]
    return (
        *(_fault(rng, "water-leak", where, span) for where in leaking),
        *(_fault(rng, "glitching-probe", where, span) for where in glitching),
    )


def random_scene(
    rng: np.random.Generator,
    start_ms: int,
    enclosures: int = 20,
    days: float = 30.0,
    *,
    with_faults: bool = True,
) -> Scene:
    """Return a room at random.

    Parameters
    ----------
    rng : numpy.random.Generator
        The same state gives the same room.
    start_ms : int
        From when it will be run; faults fall into the span that follows. [ms UTC]
    enclosures : int
    days : float
    with_faults : bool
        False for a room in which nothing breaks.

    Returns
    -------
    Scene
        Each enclosure has an air probe (temperature and humidity in `ambient`), a thermometer at the cool end, and a
        thermometer on the basking surface or, where there is none, a light meter. Misting falls into the lit hours.
    """
    made = _enclosures(rng, enclosures)
    probes = tuple(probe for enclosure in made for probe in _probes(rng, enclosure))
    span = (start_ms, int(start_ms + days * _DAY_MS))
    faults = _faults(rng, made, probes, span) if with_faults else ()
    latitude, yearly_mean = float(rng.uniform(-50.0, 55.0)), float(rng.uniform(9.0, 18.0))
    timezone = str(rng.choice(tuple(_LONGITUDES)))
    climate = RoomClimate(latitude, _LONGITUDES[timezone], yearly_mean)
    scene = Scene("Random room", "random", timezone, climate, made, probes, faults)
    further = _further_faults(rng.spawn(1)[0], scene, span) if with_faults else ()
    return replace(scene, faults=faults + further)
