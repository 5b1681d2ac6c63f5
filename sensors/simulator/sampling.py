"""What the probes say of the truth: slow, off by a little, rounded, late, lost, or broken."""

import math
import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sensors.catalogue import Element, element_for
from sensors.simulator.moist_air import Floats
from sensors.simulator.scene import Channel, Fault, Probe, Scene
from sensors.simulator.schedules import Bools, fault_mask
from sensors.simulator.truth import TEMPERATURES, Truth, index_of

Times = NDArray[np.int64]

# Sheets give the response in moving air; the air of an enclosure is still (common practice, no source).
_STILL_AIR = 3.0
_GAIN_ERROR = 0.05  # Light and power meters are off by a share, not by an amount; they do show zero in the dark.
_BY_SHARE = ("illuminance", "uv_index", "power")
_SOAKED_ABOVE = 80.0  # [%RH]
_SOAKING_HOURS, _DRYING_HOURS = 60.0, 24.0
_HOUR_MS = 3_600_000
_DAY_MS = 24 * _HOUR_MS
_MONTH_MS = 30 * _DAY_MS


@dataclass(frozen=True, slots=True)
class ProbeReadings:
    """What one probe sent within a span.

    Attributes
    ----------
    probe : Probe
    at_ms : ndarray of int64, shape (messages,)
        When each message was sent, rising. [ms UTC]
    values : dict of str to ndarray, shape (messages,)
        By quantity, in the quantity's own unit, rounded to the element's resolution.
    """

    probe: Probe
    at_ms: Times
    values: dict[str, Floats]


@dataclass(frozen=True, slots=True)
class ChannelReadings:
    """One channel's part of it: where it hangs, and its times and values, shape (readings,)."""

    probe: str
    quantity: str
    enclosure: str
    zone: str
    at_ms: Times
    value: Floats


def by_channel(sent: list[ProbeReadings]) -> list[ChannelReadings]:
    """Return readings channel by channel."""
    return [
        ChannelReadings(
            readings.probe.id,
            channel.quantity,
            channel.enclosure,
            channel.zone,
            readings.at_ms,
            readings.values[channel.quantity],
        )
        for readings in sent
        for channel in readings.probe.channels
    ]


def _generator(seed: int, *names: str) -> np.random.Generator:
    return np.random.default_rng([seed, *(zlib.crc32(name.encode()) for name in names)])


class _ChannelModel:
    """One channel's element: its own offset, drift and noise, and what it holds when it is stuck."""

    def __init__(self, scene: Scene, probe: Probe, channel: Channel, seed: int) -> None:
        self.channel = channel
        self.element: Element = element_for(probe.model, channel.quantity)
        self.index = index_of(scene.enclosures, channel.enclosure)
        self._random = _generator(seed, probe.id, channel.quantity)
        self.by_share = channel.quantity in _BY_SHARE
        error = _GAIN_ERROR if self.by_share else self.element.accuracy
        self.offset = float(self._random.uniform(-error, error))
        self.drift = float(self._random.uniform(-1.0, 1.0)) * self.element.drift_per_month
        repeats = self.element.repeatability
        self.noise = (self.element.resolution if repeats is None else repeats) * 0.5
        if channel.quantity == "switch":
            self.noise = 0.0
        wanted = {probe.id, f"{probe.id}/{channel.quantity}"}
        self.faults = tuple(fault for fault in scene.faults if fault.where in wanted)
        self._glitches = _generator(seed, probe.id, channel.quantity, "glitches")
        self._held: dict[Fault, float] = {}
        self._decimals = max(0, math.ceil(-math.log10(self.element.resolution)))
        if self.element.resolution not in {10.0**-places for places in range(5)}:
            self._decimals += 3  # 0.0625 needs four places to be itself

    def read(self, seen: Floats, soaked: Floats, nominal: Times, months: Floats) -> Floats:
        """Return what the element says of what it has come to feel."""
        noise = self.noise * self._random.standard_normal(nominal.size)
        if self.by_share:
            said = np.where(seen > 0, seen * (1.0 + self.offset) + noise, 0.0)
        else:
            said = seen + self.offset + self.drift * months + soaked + noise
        for fault in self.faults:
            said = self._broken(fault, fault_mask(fault, nominal), nominal, said)
        kept = np.clip(said, self.element.low, self.element.high)
        step = self.element.resolution
        return self._glitched(np.round(np.round(kept / step) * step, self._decimals), nominal)

    def _glitched(self, sent: Floats, nominal: Times) -> Floats:
        """Put what the element shows when it did not measure into some of the messages."""
        shown = self.element.artefacts[0] if self.element.artefacts else self.element.high + 50.0
        for fault in self.faults:
            if fault.kind == "glitching-probe":
                struck = fault_mask(fault, nominal) & (self._glitches.random(nominal.size) < fault.severity)
                sent = np.where(struck, shown, sent)
        return sent

    def _broken(self, fault: Fault, stands: Bools, nominal: Times, said: Floats) -> Floats:
        if fault.kind == "wet-probe" and self.channel.quantity == "relative_humidity":
            return np.where(stands, self.element.high, said)
        if fault.kind == "drifting-probe":
            days = (nominal - fault.start_ms) / _DAY_MS
            return said + stands * days * fault.severity
        if fault.kind == "stuck-probe" and stands.any():
            held = self._held.setdefault(fault, float(said[np.argmax(stands)]))
            return np.where(stands, held, said)
        return said


class Sampler:
    """All probes of a scene; it goes on from truth to truth without a seam.

    Parameters
    ----------
    scene : Scene
    seed : int
        Offsets, drifts, noise, lateness and losses follow from it, probe by probe.
    """

    def __init__(self, scene: Scene, seed: int) -> None:
        self.scene = scene
        self._channels = [
            [_ChannelModel(scene, probe, channel, seed) for channel in probe.channels] for probe in scene.probes
        ]
        self._flat = [model for models in self._channels for model in models]
        self._sending = [_generator(seed, probe.id, "sending") for probe in scene.probes]
        self._phases = [int(random.uniform(0, probe.every) * 1000) for random, probe in self._pairs()]
        self._felt: Floats | None = None
        self._soaked = np.zeros(len(self._flat))
        self._began_ms = 0
        self._pump: Bools | None = None

    def _pairs(self) -> list[tuple[np.random.Generator, Probe]]:
        return list(zip(self._sending, self.scene.probes, strict=True))

    def sample(self, truth: Truth) -> list[ProbeReadings]:
        """Return what every probe sends within a truth's span, in the order of the scene's probes.

        Parameters
        ----------
        truth : Truth
            Of the same scene, following the last one.

        Returns
        -------
        list of ProbeReadings
        """
        if self._felt is None:
            self._began_ms = truth.start_ms
        felt, soaked = self._feel(truth)
        readings: list[ProbeReadings] = []
        column = 0
        for place, probe in enumerate(self.scene.probes):
            models = self._channels[place]
            columns = range(column, column + len(models))
            column += len(models)
            if all(model.channel.quantity == "switch" for model in models):
                readings.append(self._switch(truth, probe, place))
            else:
                readings.append(self._send(truth, probe, place, (felt, soaked, columns)))
        self._pump = truth.pump_running[-1]
        return readings

    def _feel(self, truth: Truth) -> tuple[Floats, Floats]:
        """Return what each element has come to feel, and how soaked it is, at the start and after each step."""
        target = np.stack(
            [truth.of(model.index, model.channel.zone, model.channel.quantity) for model in self._flat], axis=1
        )
        seconds = truth.step_ms / 1000.0
        follow = np.array([1.0 - math.exp(-seconds / self._lag(model.element)) for model in self._flat])
        felt, soaked = np.empty((truth.steps + 1, len(self._flat))), np.empty((truth.steps + 1, len(self._flat)))
        felt[0] = target[0] if self._felt is None else self._felt
        soaked[0] = self._soaked
        allowance = np.array([model.element.soak_allowance for model in self._flat])
        wet = target > _SOAKED_ABOVE
        rate = seconds / 3600.0 * np.where(wet, 1.0 / _SOAKING_HOURS, 1.0 / _DRYING_HOURS)
        drawn = rate * wet * allowance
        keep = 1.0 - rate
        for step in range(truth.steps):
            felt[step + 1] = felt[step] + follow * (target[step] - felt[step])
            soaked[step + 1] = soaked[step] * keep[step] + drawn[step]
        self._felt, self._soaked = felt[-1].copy(), soaked[-1].copy()
        return felt, soaked

    @staticmethod
    def _lag(element: Element) -> float:
        still = element.quantity in TEMPERATURES or element.quantity == "relative_humidity"
        return element.response_s * (_STILL_AIR if still else 1.0)

    @staticmethod
    def _nominal(start_ms: int, end_ms: int, probe: Probe, phase: int) -> Times:
        """Return the moments of measuring within `(start, end]`."""
        every = int(probe.every * 1000)
        first = (start_ms - phase) // every + 1
        last = (end_ms - phase) // every
        return phase + every * np.arange(first, last + 1, dtype=np.int64)

    def _send(self, truth: Truth, probe: Probe, place: int, felt: tuple[Floats, Floats, range]) -> ProbeReadings:
        nominal = self._nominal(truth.start_ms, truth.end_ms, probe, self._phases[place])
        step = (nominal - truth.start_ms) // truth.step_ms
        months = (nominal - self._began_ms) / _MONTH_MS
        seen, soaked, columns = felt
        values = {
            model.channel.quantity: model.read(seen[step, column], soaked[step, column], nominal, months)
            for model, column in zip(self._channels[place], columns, strict=True)
        }
        late, lost = self._sending[place].random((nominal.size, 2)).T
        at_ms = nominal + (late * probe.jitter * 1000).astype(np.int64)
        arrives = (lost >= probe.drop_rate) & ~self._silent(probe, nominal)
        return ProbeReadings(probe, at_ms[arrives], {name: value[arrives] for name, value in values.items()})

    def _switch(self, truth: Truth, probe: Probe, place: int) -> ProbeReadings:
        """Return what a pump's contact sends: each change at once, and its state at the cadence."""
        index = self._channels[place][0].index
        running = truth.pump_running[:, index]
        before = running[0] if self._pump is None else self._pump[index]
        changed = np.flatnonzero(running != np.concatenate([[before], running[:-1]]))
        # A contact is read within a step, not at its end, so its span is [start, end).
        nominal = self._nominal(truth.start_ms - 1, truth.end_ms - 1, probe, self._phases[place])
        at_ms = np.concatenate([nominal, truth.start_ms + changed * truth.step_ms])
        steps = np.concatenate([(nominal - truth.start_ms) // truth.step_ms, changed])
        at_ms, first = np.unique(at_ms, return_index=True)
        says = running[steps[first]].astype(np.float64)
        heard = ~self._silent(probe, at_ms)
        return ProbeReadings(probe, at_ms[heard], {"switch": says[heard]})

    def _silent(self, probe: Probe, nominal: Times) -> Bools:
        silent = np.zeros(nominal.size, dtype=np.bool_)
        reasons = {"silent-probe": probe.id, "gateway-cut": probe.gateway, "power-cut": self.scene.room}
        for fault in self.scene.faults:
            if reasons.get(fault.kind) == fault.where:
                silent |= fault_mask(fault, nominal)
        return silent
