"""A simulated room as the outside sees it: a truth, readings, and messages, going on as long as asked."""

from collections.abc import Iterator
from dataclasses import dataclass

from sensors.simulator.encode import payload_of
from sensors.simulator.engine import Simulator
from sensors.simulator.sampling import ProbeReadings, Sampler
from sensors.simulator.scene import Probe, Scene
from sensors.simulator.truth import Truth
from sensors.simulator.weather import DAY_MS


@dataclass(frozen=True, slots=True)
class Message:
    """One message of one probe.

    Attributes
    ----------
    at_ms : int
        When it is sent. [ms UTC]
    probe : Probe
    payload : bytes
    """

    at_ms: int
    probe: Probe
    payload: bytes


def messages_of(sent: list[ProbeReadings]) -> list[Message]:
    """Return the messages of readings, in the order of time."""
    messages = [
        Message(
            int(at_ms), readings.probe, payload_of(readings.probe, dict(zip(names, values, strict=True)), int(at_ms))
        )
        for readings in sent
        for names in [tuple(readings.values)]
        for at_ms, *values in zip(
            readings.at_ms, *(column.tolist() for column in readings.values.values()), strict=True
        )
    ]
    return sorted(messages, key=lambda message: message.at_ms)


class SimulatedRoom:
    """A scene with its physics and its probes.

    Parameters
    ----------
    scene : Scene
    seed : int
    step_seconds : int
        [s]
    """

    def __init__(self, scene: Scene, seed: int, step_seconds: int = 15) -> None:
        self.scene = scene
        self.simulator = Simulator(scene, seed, step_seconds)
        self.sampler = Sampler(scene, seed)

    @property
    def now_ms(self) -> int | None:
        """Up to when the room has been run; None before. [ms UTC]."""
        return self.simulator.now_ms

    def history(self, start_ms: int, end_ms: int) -> Iterator[tuple[Truth, list[ProbeReadings]]]:
        """Run from a time to a time, a day at a time, so that a month needs the memory of a day.

        Parameters
        ----------
        start_ms, end_ms : int
            UTC, as in `Simulator.run`. [ms]

        Yields
        ------
        Truth, list of ProbeReadings
        """
        begin = start_ms
        while begin < end_ms:
            truth = self.simulator.run(begin, min(begin + DAY_MS, end_ms))
            yield truth, self.sampler.sample(truth)
            begin = truth.end_ms

    def advance(self, end_ms: int) -> tuple[Truth, list[ProbeReadings]]:
        """Run on to a time; see `Simulator.advance`."""
        truth = self.simulator.advance(end_ms)
        return truth, self.sampler.sample(truth)
