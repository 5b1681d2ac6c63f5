"""A simulated past: what really happened in each enclosure, and what its probes sent, kept in a real store."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from sensors.catalogue import Element, element_for
from sensors.simulator import (
    Enclosure,
    Fault,
    MistCycle,
    Probe,
    ProbeReadings,
    Scene,
    SimulatedRoom,
    Truth,
    by_channel,
    random_scene,
    room_toml,
)
from service.model import Flag
from service.roomfile.applying import apply_room_file
from service.roomfile.reading import parse_room_file
from service.store.engine import Store
from service.store.facts import RoomFacts, load_facts
from service.store.readings import NewReading, add_readings
from tests.empty_store import sqlite_store

MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Times = npt.NDArray[np.int64]
_LYING = ("stuck-probe", "wet-probe", "drifting-probe")
_STILL_AIR = 3.0  # Elements answer this much slower in still air than their sheets say.


@dataclass(frozen=True, slots=True)
class Case:
    """A room to be simulated: everything follows from these."""

    seed: int
    enclosures: int
    days: int

    @property
    def start_ms(self) -> int:
        """Midnight UTC of a day at random within three years."""
        day = int(np.random.default_rng([self.seed, 1]).integers(3 * 365))
        return int(datetime(2024, 1, 1, tzinfo=UTC).timestamp() * 1000) + day * DAY

    @property
    def end_ms(self) -> int:
        return self.start_ms + self.days * DAY

    def scene(self) -> Scene:
        return random_scene(np.random.default_rng([self.seed, 2]), self.start_ms, self.enclosures, float(self.days))


@dataclass(frozen=True, eq=False)
class Sensor:
    """One channel of a probe: its element, and when it was heard.

    Attributes
    ----------
    sent : ndarray of int64
        When its messages came. [ms UTC]
    glitched : ndarray of int64
        Those of them that showed what the element cannot measure. [ms UTC]
    """

    probe: Probe
    quantity: str
    zone: str
    element: Element
    sent: Times
    glitched: Times
    faults: tuple[Fault, ...]

    @cached_property
    def measured(self) -> Bools:
        """Whether each message held what it measured."""
        return ~np.isin(self.sent, self.glitched)

    @property
    def cadence_ms(self) -> int:
        return int(self.probe.every * 1000)

    @property
    def lag_ms(self) -> int:
        return int(self.element.response_s * _STILL_AIR * 1000)

    @property
    def slack_ms(self) -> int:
        """How late a reading can show what is true: three lags, two lost messages, and their lateness. [ms]."""
        return 3 * self.lag_ms + 3 * self.cadence_ms + int(self.probe.jitter * 1000) + MINUTE

    @property
    def reach(self) -> float:
        """How far a healthy element can be off: sheet, a month's drift, soaking, noise, rounding. [unit]."""
        element = self.element
        noise = element.resolution if element.repeatability is None else element.repeatability
        return element.accuracy + element.drift_per_month + element.soak_allowance + 2 * noise + element.resolution / 2

    def lies(self, start_ms: int, end_ms: int) -> bool:
        """Whether a fault that makes it say what is not so stands within a span."""
        return any(f.kind in _LYING and f.start_ms < end_ms and f.end_ms > start_ms for f in self.faults)

    def stands(self, at: Times) -> Bools:
        """Say at which moments a reading stands; a glitch ends the one before it, and is none."""
        hold = max(int(2.5 * self.cadence_ms), 5 * MINUTE)
        index = np.searchsorted(self.sent, at, "right") - 1
        last = np.maximum(index, 0)
        return (index >= 0) & (at - self.sent[last] <= hold) & self.measured[last]

    def watched(self, at: Times) -> Bools:
        """Say at which moments a reading stands and is no lie."""
        stands = self.stands(at)
        for fault in self.faults:
            if fault.kind in _LYING:
                stands &= ~((at >= fault.start_ms) & (at < fault.end_ms + self.slack_ms))
        return stands


@dataclass(frozen=True, eq=False)
class Past:
    """What happened in one enclosure.

    Attributes
    ----------
    at : ndarray of int64, shape (n,)
        [ms UTC]
    basking, cool, ambient : ndarray, shape (n,)
        True temperatures of the basking surface, the cool end's air, the ambient air. [°C]
    humidity, vapour : ndarray, shape (n,)
        Of the ambient air. [%RH], [Pa]
    lux : ndarray, shape (n,)
        Under the canopy, daylight included. [lx]
    lit : ndarray of bool, shape (n,)
        The lamps.
    """

    enclosure: Enclosure
    zone: ZoneInfo
    at: Times
    basking: Floats
    cool: Floats
    ambient: Floats
    humidity: Floats
    vapour: Floats
    lux: Floats
    lit: Bools
    cycles: tuple[MistCycle, ...]
    faults: tuple[Fault, ...]
    sensors: tuple[Sensor, ...]

    @property
    def step_ms(self) -> int:
        return int(self.at[1] - self.at[0])

    def part(self, start_ms: int, end_ms: int) -> slice:
        """Return the steps with start <= at < end."""
        low, high = np.searchsorted(self.at, (start_ms, end_ms))
        return slice(int(low), int(high))

    def sensor(self, zone: str, *quantities: str) -> Sensor | None:
        return next((s for s in self.sensors if s.zone == zone and s.quantity in quantities), None)

    @cached_property
    def dates(self) -> list[date]:
        first, last = (datetime.fromtimestamp(int(t) / 1000, UTC).astimezone(self.zone) for t in self.at[[0, -1]])
        days = (last.date() - first.date()).days
        return [first.date() + timedelta(days=n) for n in range(-1, days + 2)]

    def instant(self, day: date, clock: str) -> int:
        hours, minutes = (int(part) for part in clock.split(":"))
        return int(datetime(day.year, day.month, day.day, hours, minutes, tzinfo=self.zone).timestamp() * 1000)

    @cached_property
    def lights(self) -> list[tuple[int, int]]:
        """When the lights should go on and off, by the schedule of the room file. [ms UTC]."""
        on, off = self.enclosure.lights_on, self.enclosure.lights_off
        later = 0 if off > on else 1
        return [(self.instant(d, on), self.instant(d + timedelta(days=later), off)) for d in self.dates]

    def planned(self, after_on: int, after_off: int, night: bool) -> Bools:
        """Say which steps lie in the planned days or nights, a time after their beginning. [ms]."""
        if night:
            spans = [(off + after_off, on) for (_, off), (on, _) in zip(self.lights, self.lights[1:], strict=False)]
        else:
            spans = [(on + after_on, off) for on, off in self.lights]
        mask = np.zeros(self.at.size, dtype=np.bool_)
        for start, end in spans:
            mask[self.part(start, end)] = True
        return mask


@dataclass(eq=False)
class _Gathered:
    """Lists that the days of a run are put into."""

    truth: dict[str, list[npt.NDArray[np.float32]]] = field(default_factory=dict)
    at: list[Times] = field(default_factory=list)
    lit: list[Bools] = field(default_factory=list)
    sent: dict[str, list[Times]] = field(default_factory=dict)
    glitched: dict[str, list[Times]] = field(default_factory=dict)
    cycles: list[MistCycle] = field(default_factory=list)

    def add(self, truth: Truth, sent: list[ProbeReadings]) -> None:
        series = {
            "basking": truth.series("basking", "surface_temperature"),
            "cool": truth.series("cool-end", "air_temperature"),
            "ambient": truth.series("ambient", "air_temperature"),
            "humidity": truth.series("ambient", "relative_humidity"),
            "vapour": np.array([truth.vapour_pressure(i) for i in range(len(truth.scene.enclosures))]),
            "lux": truth.series("canopy", "illuminance"),
        }
        models = {readings.probe.id: readings.probe.model for readings in sent}
        for name, value in series.items():
            self.truth.setdefault(name, []).append(value.astype(np.float32))
        self.at.append(truth.times_ms)
        self.lit.append(truth.lit.T)
        self.cycles += truth.cycles
        for readings in sent:
            self.sent.setdefault(readings.probe.id, []).append(readings.at_ms)
        for of in by_channel(sent):
            struck = of.at_ms[cannot_be(element_for(models[of.probe], of.quantity), of.value)]
            self.glitched.setdefault(f"{of.probe}/{of.quantity}", []).append(struck)


def cannot_be(element: Element, value: Floats) -> Bools:
    """Say which values an element cannot have measured."""
    artefact = np.isin(value, element.artefacts)
    return (value < element.low) | (value > element.high) | artefact


def rows_of(facts: RoomFacts, sent: list[ProbeReadings]) -> list[NewReading]:
    """Return what probes sent as rows of the store, flagged as they are when they come in."""
    rows: list[NewReading] = []
    for of in by_channel(sent):
        channel = facts.channel_by_key[f"{of.probe}/{of.quantity}"]
        wrong = cannot_be(element_for(channel.model, channel.quantity), of.value)
        flags = np.where(wrong, int(Flag.DEVICE_CLOCK | Flag.IMPOSSIBLE), int(Flag.DEVICE_CLOCK))
        triples = zip(of.at_ms.tolist(), of.value.tolist(), flags.tolist(), strict=True)
        rows += ((channel.id, at, value, flag) for at, value, flag in triples)
    return rows


def a_store(folder: Path, case: Case, scene: Scene) -> Store:
    """Open an empty store that knows the scene's room file."""
    store = sqlite_store(folder / "truth.db")
    when = datetime.fromtimestamp(case.start_ms / 1000, UTC)
    apply_room_file(store, parse_room_file(room_toml(scene)), by="the truth table", now=when)
    return store


def lived_through(case: Case, scene: Scene, store: Store, shuffle: np.random.Generator | None = None) -> list[Past]:
    """Run the scene, keep what happened, and store what its probes sent, a day at a time.

    Each day's readings go in as one import: in order, or shuffled.
    """
    with store.read() as session:
        facts = load_facts(session)
    gathered = _Gathered()
    for truth, sent in SimulatedRoom(scene, case.seed).history(case.start_ms, case.end_ms):
        gathered.add(truth, sent)
        rows = rows_of(facts, sent)
        if shuffle is not None:
            rows = [rows[i] for i in shuffle.permutation(len(rows)).tolist()]
        with store.write() as session:
            add_readings(session, rows)
    return list(_pasts(scene, gathered))


def _pasts(scene: Scene, gathered: _Gathered) -> Iterator[Past]:
    at = np.concatenate(gathered.at)
    series = {name: np.concatenate(days, axis=1) for name, days in gathered.truth.items()}
    lit = np.concatenate(gathered.lit, axis=1)
    sent = {name: np.concatenate(days) for name, days in gathered.sent.items()}
    glitched = {name: np.concatenate(days) for name, days in gathered.glitched.items()}
    for index, enclosure in enumerate(scene.enclosures):
        yield Past(
            enclosure=enclosure,
            zone=ZoneInfo(scene.timezone),
            at=at,
            lit=lit[index],
            cycles=tuple(c for c in gathered.cycles if c.enclosure == enclosure.id),
            faults=tuple(f for f in scene.faults if f.where == enclosure.id),
            sensors=tuple(
                Sensor(
                    probe, channel.quantity, channel.zone, element_for(probe.model, channel.quantity), sent[probe.id],
                    glitched[f"{probe.id}/{channel.quantity}"],
                    tuple(f for f in scene.faults if f.where == probe.id),
                )
                for probe in scene.probes
                for channel in probe.channels
                if channel.enclosure == enclosure.id
            ),
            **{name: value[index] for name, value in series.items()},
        )  # fmt: skip
