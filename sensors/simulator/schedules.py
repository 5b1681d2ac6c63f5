"""What the timers do: lights and pumps on local wall-clock time, and what faults make of them."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from sensors.simulator.moist_air import Floats
from sensors.simulator.scene import Enclosure, Fault, FaultKind, Scene

Bools = NDArray[np.bool_]
_QUARTER_MS = 15 * 60_000  # Every zone of today changes its offset on a quarter of an hour.
_MINUTES = 1440


@dataclass(frozen=True, slots=True)
class MistCycle:
    """One misting as it really happened.

    Attributes
    ----------
    enclosure : str
    at_ms : int
        When the pump started, or should have. [ms UTC]
    seconds : float
        How long it runs. [s]
    due_grams, delivered_grams : float
        What it should have sprayed, and what it did. [g]
    scheduled : bool
        False for a spray bottle.
    """

    enclosure: str
    at_ms: int
    seconds: float
    due_grams: float
    delivered_grams: float
    scheduled: bool


def wall_minute(clock: str) -> int:
    """Return the minute of the day that `HH:MM` names."""
    hours, minutes = clock.split(":")
    return 60 * int(hours) + int(minutes)


def local_minutes(zone: ZoneInfo, times_ms: NDArray[np.int64]) -> Floats:
    """Return the wall-clock minute of the day of each moment, fractions kept. [min]."""
    quarters = np.unique(times_ms // _QUARTER_MS)
    offsets = np.array([_offset_ms(zone, int(quarter) * _QUARTER_MS) for quarter in quarters], dtype=np.int64)
    local = times_ms + offsets[np.searchsorted(quarters, times_ms // _QUARTER_MS)]
    return (local % (_MINUTES * 60_000)) / 60_000.0


def _offset_ms(zone: ZoneInfo, at_ms: int) -> int:
    offset = datetime.fromtimestamp(at_ms / 1000.0, zone).utcoffset() or timedelta()
    return int(offset.total_seconds() * 1000)


def fault_mask(fault: Fault, times_ms: NDArray[np.int64]) -> Bools:
    """Say at which moments a fault stands."""
    return (times_ms >= fault.start_ms) & (times_ms < fault.end_ms)


def faults_of(scene: Scene, kind: FaultKind) -> list[Fault]:
    """Return the scene's faults of one kind."""
    return [fault for fault in scene.faults if fault.kind == kind]


def power_is_on(scene: Scene, times_ms: NDArray[np.int64]) -> Bools:
    """Say at which moments the room has mains power."""
    powered = np.ones(times_ms.size, dtype=np.bool_)
    for fault in faults_of(scene, "power-cut"):
        if fault.where == scene.room:
            powered &= ~fault_mask(fault, times_ms)
    return powered


def lit_times(scene: Scene, times_ms: NDArray[np.int64], minutes: Floats) -> Bools:
    """Say when each enclosure's timer has the lights on, faults of the timer and power cuts included.

    Returns
    -------
    ndarray of bool, shape (steps, enclosures)
    """
    lit = np.empty((times_ms.size, len(scene.enclosures)), dtype=np.bool_)
    for column, enclosure in enumerate(scene.enclosures):
        lit[:, column] = _lit(scene, enclosure, times_ms, minutes)
    return lit & power_is_on(scene, times_ms)[:, None]


def _lit(scene: Scene, enclosure: Enclosure, times_ms: NDArray[np.int64], minutes: Floats) -> Bools:
    starts = np.full(times_ms.size, float(wall_minute(enclosure.lights_on)))
    for fault in faults_of(scene, "lights-late"):
        if fault.where == enclosure.id:
            starts += fault_mask(fault, times_ms) * fault.severity * 60.0
    length = (wall_minute(enclosure.lights_off) - wall_minute(enclosure.lights_on)) % _MINUTES
    late = starts - wall_minute(enclosure.lights_on)
    lit = (minutes - starts) % _MINUTES < length - late
    for fault in faults_of(scene, "lights-stuck-on"):
        if fault.where == enclosure.id:
            lit = lit | fault_mask(fault, times_ms)
    return lit


def flow_factor(scene: Scene, enclosure: str, at_ms: int) -> float:
    """Return the share of its flow that an enclosure's misting delivers at a moment, 0 to 1."""
    factor = 1.0
    for fault in scene.faults:
        stands = fault.start_ms <= at_ms < fault.end_ms
        if not stands:
            continue
        if fault.kind == "power-cut" and fault.where == scene.room:
            return 0.0
        if fault.where != enclosure:
            continue
        if fault.kind == "dead-pump":
            return 0.0
        if fault.kind == "clogging-nozzle":
            passed = (at_ms - fault.start_ms) / (fault.end_ms - fault.start_ms)
            factor *= 1.0 - fault.severity * passed
    return max(0.0, factor)


def _dates(zone: ZoneInfo, start_ms: int, end_ms: int) -> list[date]:
    first = datetime.fromtimestamp(start_ms / 1000.0, UTC).astimezone(zone).date()
    last = datetime.fromtimestamp(end_ms / 1000.0, UTC).astimezone(zone).date()
    return [first + timedelta(days=days) for days in range((last - first).days + 1)]


def mist_cycles(scene: Scene, start_ms: int, end_ms: int) -> list[MistCycle]:
    """Return every misting that starts in `[start_ms, end_ms)`, in the order of time.

    A spray bottle's water takes 20 s.
    """
    zone = ZoneInfo(scene.timezone)
    cycles: list[MistCycle] = []
    days = _dates(zone, start_ms, end_ms)
    for enclosure in scene.enclosures:
        for due in enclosure.misting:
            hours, minutes = divmod(wall_minute(due.at), 60)
            for day in days:
                moment = datetime(day.year, day.month, day.day, hours, minutes, tzinfo=zone)
                cycles.append(_cycle(scene, enclosure, int(moment.timestamp() * 1000), due.seconds))
    cycles += [
        MistCycle(spray.enclosure, spray.at_ms, 20.0, spray.grams, spray.grams, scheduled=False)
        for spray in scene.hand_mistings
    ]
    return sorted(
        (cycle for cycle in cycles if start_ms <= cycle.at_ms < end_ms),
        key=lambda cycle: (cycle.at_ms, cycle.enclosure),
    )


def _cycle(scene: Scene, enclosure: Enclosure, at_ms: int, seconds: float) -> MistCycle:
    due = enclosure.equipment.pump_flow * seconds
    delivered = due * flow_factor(scene, enclosure.id, at_ms)
    return MistCycle(enclosure.id, at_ms, seconds, due, delivered, scheduled=True)


def _leaked(fault: Fault, edges: NDArray[np.int64]) -> Floats:
    """Return the water that leaks in each step between edges, shape (steps,). [kg]."""
    stands = np.minimum(edges[1:], fault.end_ms) - np.maximum(edges[:-1], fault.start_ms)
    return np.maximum(0, stands) / 60_000 * fault.severity * 1e-3


def water_sprayed(
    scene: Scene, cycles: list[MistCycle], start_ms: int, step_ms: int, steps: int
) -> tuple[Floats, Bools]:
    """Spread the cycles' water over steps.

    Parameters
    ----------
    scene : Scene
    cycles : list of MistCycle
        Those that reach into the span, also from before it.
    start_ms, step_ms, steps : int
        The span. [ms]

    Returns
    -------
    water : ndarray, shape (steps, enclosures)
        [kg in the step]
    running : ndarray of bool, shape (steps, enclosures)
        Whether the pump had power and ran, delivering or not; a spray bottle is no pump.
    """
    column = {enclosure.id: index for index, enclosure in enumerate(scene.enclosures)}
    water = np.zeros((steps, len(column)))
    running = np.zeros((steps, len(column)), dtype=np.bool_)
    edges = start_ms + step_ms * np.arange(steps + 1, dtype=np.int64)
    for cycle in cycles:
        length = int(cycle.seconds * 1000)
        first = max(0, (cycle.at_ms - start_ms) // step_ms)
        last = min(steps, (cycle.at_ms + length - start_ms) // step_ms + 1)
        if first >= last:
            continue
        ends = np.minimum(edges[first + 1 : last + 1], cycle.at_ms + length)
        share = np.maximum(0, ends - np.maximum(edges[first:last], cycle.at_ms)) / length
        water[first:last, column[cycle.enclosure]] += share * cycle.delivered_grams * 1e-3
        if cycle.scheduled:
            running[first:last, column[cycle.enclosure]] |= share > 0
    for fault in faults_of(scene, "water-leak"):
        water[:, column[fault.where]] += _leaked(fault, edges)
    return water, running & power_is_on(scene, edges[:-1])[:, None]
