"""Runs a scene: timers and weather into forcings, forcings through the balance, and the truth out."""

from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from sensors.simulator.balance import (
    DRAINED,
    EVAPORATION,
    HEATER,
    LAMP,
    SPRAY_SHARES,
    TEMPERATURES,
    VAPOUR,
    WATER,
    Forcing,
    heat_matrix,
    run_balance,
    start_state,
    water_parts,
)
from sensors.simulator.moist_air import LATENT_HEAT, Floats
from sensors.simulator.network import HEATER_SPLIT, LAMP_SPLIT, LIGHT_SPLIT, network_for
from sensors.simulator.scene import Fault, Scene
from sensors.simulator.schedules import (
    Bools,
    MistCycle,
    fault_mask,
    lit_times,
    local_minutes,
    mist_cycles,
    power_is_on,
    water_sprayed,
)
from sensors.simulator.truth import Ledger, Truth, index_of, joined
from sensors.simulator.weather import DAY_MS, run_room, start_of_room

_SETTLING_DAYS = 2
_LONGEST_MISTING_MS = 3_600_000
_NEVER = np.inf


class SimulatedTimeError(ValueError):
    """A span that the simulator cannot run: not after the last one, or empty."""


class Simulator:
    """A room whose physics can be run on and on.

    Parameters
    ----------
    scene : Scene
    seed : int
        The same scene and seed give the same truth, however a span is cut.
    step_seconds : int
        5 to 30 is sound; it must divide a minute. [s]
    """

    def __init__(self, scene: Scene, seed: int, step_seconds: int = 15) -> None:
        self.scene = scene
        self.seed = seed
        self.step_ms = step_seconds * 1000
        self._zone = ZoneInfo(scene.timezone)
        self._parts = water_parts(scene.enclosures)
        self._network = network_for(scene.enclosures)
        self._matrix, self._gain = heat_matrix(scene.enclosures, float(step_seconds))
        self._room = start_of_room(scene.climate)
        self._state = start_state(scene.enclosures, self._room.temperature, self._room.vapour)
        self._now_ms: int | None = None

    @property
    def now_ms(self) -> int | None:
        """Up to when the room has been run; None before the first run. [ms UTC]."""
        return self._now_ms

    def run(self, start_ms: int, end_ms: int) -> Truth:
        """Run from a time to a time; the first run is preceded by two unseen days in which the room settles.

        Parameters
        ----------
        start_ms, end_ms : int
            UTC; the start is rounded down to a whole step and the end up. A later run starts where the last ended.

        Returns
        -------
        Truth

        Raises
        ------
        SimulatedTimeError
            If the span is empty or does not follow the last one.
        """
        start = start_ms // self.step_ms * self.step_ms
        if self._now_ms is None:
            self._now_ms = start - _SETTLING_DAYS * DAY_MS
            for begin in range(self._now_ms, start, DAY_MS):
                self._chunk(begin, begin + DAY_MS)
        if start != self._now_ms:
            raise SimulatedTimeError(f"the room stands at {self._now_ms} ms: start there, not at {start_ms} ms")
        return self.advance(end_ms)

    def advance(self, end_ms: int) -> Truth:
        """Run on from where the last run ended; as `run`."""
        if self._now_ms is None or end_ms <= self._now_ms:
            raise SimulatedTimeError(f"cannot run to {end_ms} ms from {self._now_ms} ms: give a later end")
        end = -(-end_ms // self.step_ms) * self.step_ms
        edges = [*range(self._now_ms, end, DAY_MS), end]
        return joined([self._chunk(begin, until) for begin, until in pairwise(edges)])

    def _chunk(self, start_ms: int, end_ms: int) -> Truth:
        """Run at most a day."""
        steps = (end_ms - start_ms) // self.step_ms
        begins = start_ms + self.step_ms * np.arange(steps, dtype=np.int64)
        minutes = local_minutes(self._zone, begins)
        lit = lit_times(self.scene, begins, minutes)
        room, vapour, sun = run_room(
            self.seed, self.scene.climate, self._room, begins, self.step_ms, minutes / 60.0, lit.mean(axis=1)
        )
        cycles = mist_cycles(self.scene, start_ms - _LONGEST_MISTING_MS, end_ms)
        water, running = water_sprayed(self.scene, cycles, start_ms, self.step_ms, int(steps))
        forcing = self._forcing(begins, lit, room, vapour, water)
        before = self._state.copy()
        record = run_balance(self._state, self._matrix, self._parts, self.step_ms / 1000.0, forcing)
        self._now_ms = end_ms
        ledger = self._ledger(before, record, lit, room, vapour, water)
        within = tuple(cycle for cycle in cycles if cycle.at_ms >= start_ms)
        return self._truth(start_ms, record, lit, running, (room, vapour, sun), within, ledger)

    def _truth(
        self,
        start_ms: int,
        record: Floats,
        lit: Bools,
        running: Bools,
        room: tuple[Floats, Floats, Floats],
        cycles: tuple[MistCycle, ...],
        ledger: Ledger,
    ) -> Truth:
        state = record.astype(np.float32)
        return Truth(self.scene, start_ms, self.step_ms, state, lit, running, *room, cycles, ledger, self._parts)

    def _forcing(self, begins: NDArray[np.int64], lit: Bools, room: Floats, vapour: Floats, water: Floats) -> Forcing:
        light = np.array([enclosure.equipment.light_watts for enclosure in self.scene.enclosures])
        strip = (self._gain @ LIGHT_SPLIT) * light[:, None]
        losses = (self._gain @ self._network.to_room[:, :, None])[:, :, 0]
        heat = lit[:, None, :] * strip.T + room[:, None, None] * losses.T
        power, below, above = self._thermostats(begins, lit)
        sprayed = water[:, None, :] * SPRAY_SHARES[:, None]
        return Forcing(heat, power, below, above, sprayed, vapour[:, None])

    def _thermostats(self, begins: NDArray[np.int64], lit: Bools) -> tuple[Floats, Floats, Floats]:
        """Return what lamp and heater may draw and where their thermostats switch, faults included."""
        shape = (begins.size, 2, len(self.scene.enclosures))
        power, below, above = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        for column, enclosure in enumerate(self.scene.enclosures):
            equipment = enclosure.equipment
            day = lit[:, column]
            power[:, 0, column] = equipment.lamp_watts * day
            power[:, 1, column] = equipment.heater_watts
            setting = np.where(day, equipment.heater_day, equipment.heater_night)
            for device, wanted in enumerate((equipment.lamp_set, setting)):
                below[:, device, column] = wanted - equipment.hysteresis
                above[:, device, column] = wanted + equipment.hysteresis
        for fault in self.scene.faults:
            self._apply(fault, fault_mask(fault, begins), power, below)
        power *= power_is_on(self.scene, begins)[:, None, None]
        return power, below, above

    def _apply(self, fault: Fault, stands: Bools, power: Floats, below: Floats) -> None:
        """Change what an equipment fault changes."""
        if fault.kind not in {"stuck-thermostat", "welded-relay", "dead-lamp"}:
            return
        column = index_of(self.scene.enclosures, fault.where)
        equipment = self.scene.enclosures[column].equipment
        device = 0 if equipment.lamp_watts > 0 else 1
        if fault.kind == "dead-lamp":
            power[stands, device, column] = 0.0
            return
        below[stands, device, column] = _NEVER
        full = equipment.lamp_watts if device == 0 else equipment.heater_watts
        if fault.kind == "welded-relay":
            power[stands, device, column] = full
        power[stands, device, column] *= fault.severity

    def _ledger(
        self, before: Floats, record: Floats, lit: Bools, room: Floats, vapour: Floats, water: Floats
    ) -> Ledger:
        seconds = self.step_ms / 1000.0
        light = np.array([enclosure.equipment.light_watts for enclosure in self.scene.enclosures])
        into = (
            record[:, LAMP] * LAMP_SPLIT.sum()
            + record[:, HEATER] * HEATER_SPLIT.sum()
            + lit * light * LIGHT_SPLIT.sum()
        )
        capacity, to_room = self._network.capacity.T, self._network.to_room.T
        warmer = record[-1, TEMPERATURES] - before[TEMPERATURES]
        # What leaves within a step follows from its mean temperatures; the ends' mean is close to it.
        mean = record[:, TEMPERATURES].copy()
        mean[1:] += record[:-1, TEMPERATURES]
        mean[0] += before[TEMPERATURES]
        leaving = (to_room * (0.5 * mean - room[:, None, None])).sum(axis=1)
        # Evaporation cools in the step after the one in which it happened.
        given = np.concatenate([before[None, EVAPORATION], record[:-1, EVAPORATION]]).sum(axis=1)
        air = self._parts.volume * (record[-1, VAPOUR] - before[VAPOUR])
        return Ledger(
            into.sum(axis=0) * seconds,
            (capacity * warmer).sum(axis=0),
            leaving.sum(axis=0) * seconds,
            given.sum(axis=0) * seconds * LATENT_HEAT,
            water.sum(axis=0),
            air + (record[-1, WATER] - before[WATER]).sum(axis=0),
            (self._parts.exchange * (record[:, VAPOUR] - vapour[:, None])).sum(axis=0) * seconds,
            record[:, DRAINED].sum(axis=0),
        )
