"""What really happened in a simulated room, whatever the probes say."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sensors.simulator.balance import LAMP, VAPOUR, WATER, WaterParts
from sensors.simulator.moist_air import Floats, relative_humidity, saturation_density
from sensors.simulator.network import COOL_AIR, SUBSTRATE, SURFACE, WARM_AIR
from sensors.simulator.scene import Enclosure, Scene
from sensors.simulator.schedules import MistCycle

# A thermometer in the air under the lamp sees the slab and the lamp too.
_BASKING_AIR_SHARE = 0.4
_LUX_BY_ZONE = {"basking": 1.6, "canopy": 1.0, "ambient": 0.6, "retreat": 0.01}
_DAYLIGHT_LUX = 250.0  # What full sun leaves in a corner of the room. [lx]
_SWITCHED = ("illuminance", "uv_index", "power", "switch")
TEMPERATURES = ("air_temperature", "surface_temperature", "substrate_temperature")


class NoSuchTruthError(LookupError):
    """A zone or quantity that the simulated physics does not hold."""


@dataclass(frozen=True, slots=True)
class Ledger:
    """Where heat and water went over a run, by enclosure: what came in is what is kept plus what left.

    Attributes
    ----------
    heat_in, heat_kept, heat_to_room, heat_of_evaporation : ndarray, shape (enclosures,)
        From lamp, heater and light strip into the lumps; stored in them; lost to the room; taken by water. [J]
    water_in, water_kept, water_to_room, water_drained : ndarray, shape (enclosures,)
        Sprayed; more in air, films and substrate than before; carried off by ventilation; run out below. [kg]
    """

    heat_in: Floats
    heat_kept: Floats
    heat_to_room: Floats
    heat_of_evaporation: Floats
    water_in: Floats
    water_kept: Floats
    water_to_room: Floats
    water_drained: Floats

    def plus(self, other: "Ledger") -> "Ledger":
        """Return the ledger of two spans that follow each other."""
        names = self.__dataclass_fields__
        return Ledger(**{name: getattr(self, name) + getattr(other, name) for name in names})


@dataclass(frozen=True, slots=True)
class Truth:
    """The physics of a span.

    Attributes
    ----------
    scene : Scene
    start_ms, step_ms : int
        The first step begins at `start_ms`; values hold at the *end* of each step. [ms]
    state : ndarray of float32, shape (steps, rows, enclosures)
        As `sensors.simulator.balance` lays out its rows.
    lit, pump_running : ndarray of bool, shape (steps, enclosures)
        Lights on, and the misting pump having power, within the step.
    room_temperature, room_vapour, sun : ndarray, shape (steps,)
        [°C], [kg/m³], share of a full sun.
    cycles : tuple of MistCycle
        Every misting that started within the span.
    ledger : Ledger
    parts : WaterParts
        The sizes of the water balance.
    """

    scene: Scene
    start_ms: int
    step_ms: int
    state: NDArray[np.float32]
    lit: NDArray[np.bool_]
    pump_running: NDArray[np.bool_]
    room_temperature: Floats
    room_vapour: Floats
    sun: Floats
    cycles: tuple[MistCycle, ...]
    ledger: Ledger
    parts: WaterParts

    @property
    def steps(self) -> int:
        """How many steps the span has."""
        return self.state.shape[0]

    @property
    def end_ms(self) -> int:
        """Where the next span begins. [ms]."""
        return self.start_ms + self.step_ms * self.steps

    @property
    def times_ms(self) -> NDArray[np.int64]:
        """The moments that values hold at: the end of each step, shape (steps,). [ms]."""
        return self.start_ms + self.step_ms * np.arange(1, self.steps + 1, dtype=np.int64)

    def series(self, zone: str, quantity: str) -> Floats:
        """Return what a perfect probe would read in a zone of every enclosure.

        Parameters
        ----------
        zone : str
            A zone of the room file; `outside` is the room.
        quantity : str
            A key of `sensors.quantities.QUANTITIES`.

        Returns
        -------
        ndarray, shape (enclosures, steps)
            [the quantity's unit]

        Raises
        ------
        NoSuchTruthError
            If the physics holds no such thing.
        """
        every = range(len(self.scene.enclosures))
        return np.array([self.of(index, zone, quantity) for index in every])

    def of(self, index: int, zone: str, quantity: str) -> Floats:
        """Return one enclosure's series, shape (steps,); as `series`."""
        if quantity in TEMPERATURES:
            return self._temperature(index, zone, quantity)
        if quantity == "relative_humidity":
            vapour = self.room_vapour if zone == "outside" else self._row(VAPOUR, index)
            return relative_humidity(vapour, self._temperature(index, zone, "air_temperature"))
        if quantity in _SWITCHED:
            return self._switched(index, zone, quantity)
        if quantity == "soil_moisture":
            held = self.state[:, WATER, index][:, -1].astype(np.float64)
            return np.minimum(100.0, 100.0 * held / self.parts.holds[-1, index])
        raise NoSuchTruthError(f"'{quantity}' is nothing that the simulated room holds")

    def _switched(self, index: int, zone: str, quantity: str) -> Floats:
        """Return what timers and thermostats make: light, UV, power, the pump's switch."""
        if quantity == "switch":
            return self.pump_running[:, index].astype(np.float64)
        if quantity == "power" and zone == "basking":
            return self._row(LAMP, index)
        equipment = self.scene.enclosures[index].equipment
        lit = self.lit[:, index].astype(np.float64)
        if quantity == "power":
            return lit * equipment.light_watts
        if quantity == "uv_index":
            return lit * equipment.uv_index * (1.0 if zone in {"basking", "canopy"} else 0.3)
        return lit * equipment.lux * _LUX_BY_ZONE.get(zone, 0.5) + self.sun * _DAYLIGHT_LUX

    def _row(self, row: int, index: int) -> Floats:
        return self.state[:, row, index].astype(np.float64)

    def _temperature(self, index: int, zone: str, quantity: str) -> Floats:
        if zone == "outside":
            return self.room_temperature
        if zone in {"substrate", "egg-chamber"} or quantity == "substrate_temperature":
            return self._row(SUBSTRATE, index)
        if zone == "basking":
            surface, air = self._row(SURFACE, index), self._row(WARM_AIR, index)
            share = 1.0 if quantity == "surface_temperature" else _BASKING_AIR_SHARE
            return air + share * (surface - air)
        if zone in {"warm-end", "canopy"}:
            return self._row(WARM_AIR, index)
        if zone in {"cool-end", "retreat"}:
            return self._row(COOL_AIR, index)
        if zone == "ambient":
            return 0.5 * (self._row(WARM_AIR, index) + self._row(COOL_AIR, index))
        raise NoSuchTruthError(f"'{zone}' is no zone of the simulated room")

    def vapour_pressure(self, index: int) -> Floats:
        """Return the vapour pressure in an enclosure's air at its ambient temperature, shape (steps,). [Pa]."""
        kelvin = self._temperature(index, "ambient", "air_temperature") + 273.15
        return self._row(VAPOUR, index) * 461.5 * kelvin

    def headroom(self, index: int) -> Floats:
        """Return the water that ambient air could still take, shape (steps,). [kg/m³]."""
        ambient = self._temperature(index, "ambient", "air_temperature")
        return saturation_density(ambient) - self._row(VAPOUR, index)

    def index_of(self, enclosure: str) -> int:
        """Return the place of an enclosure in the arrays; KeyError when the scene has none of that id."""
        return index_of(self.scene.enclosures, enclosure)


def index_of(enclosures: tuple[Enclosure, ...], wanted: str) -> int:
    """Return the place of an enclosure by its id; KeyError when there is none."""
    for index, enclosure in enumerate(enclosures):
        if enclosure.id == wanted:
            return index
    raise KeyError(f"no enclosure '{wanted}' in this scene")


def joined(parts: list[Truth]) -> Truth:
    """Return one truth for spans that follow each other."""
    first = parts[0]
    if len(parts) == 1:
        return first
    ledger = first.ledger
    for part in parts[1:]:
        ledger = ledger.plus(part.ledger)
    return Truth(
        first.scene,
        first.start_ms,
        first.step_ms,
        np.concatenate([part.state for part in parts]),
        np.concatenate([part.lit for part in parts]),
        np.concatenate([part.pump_running for part in parts]),
        np.concatenate([part.room_temperature for part in parts]),
        np.concatenate([part.room_vapour for part in parts]),
        np.concatenate([part.sun for part in parts]),
        tuple(cycle for part in parts for cycle in part.cycles),
        ledger,
        first.parts,
    )
