"""On-delay, off-delay and deadband as a fold over readings (pure).

Time is counted between readings and only where it is covered: a reading stands until the next, at most for its
hold. What is missing neither raises nor clears. Every decision falls on a reading and depends on nothing but
the readings before it, so that the live watch, a watch started again and a replay decide alike.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class Delays:
    """How long a condition must hold before it is raised, and stay clear before it returns. [ms]."""

    on_ms: int
    off_ms: int


@dataclass(frozen=True, slots=True)
class Memory:
    """What is remembered of a condition between readings.

    Attributes
    ----------
    at_ms : int or None
        The last reading judged. [ms since 1970, UTC]
    exceeded, cleared : bool
        Whether the limit was exceeded at that reading, and whether the value was back beyond the deadband.
    began_ms : int or None
        Since when the condition holds.
    held_ms : int
        For how much covered time it has held, while it is not raised. [ms]
    clear_ms : int
        For how much covered time it has been clear, while it is raised. [ms]
    raised_ms : int or None
        When it was raised; None while it is not.
    peak : float or None
        The value furthest beyond the limit since it began.
    """

    at_ms: int | None = None
    exceeded: bool = False
    cleared: bool = True
    began_ms: int | None = None
    held_ms: int = 0
    clear_ms: int = 0
    raised_ms: int | None = None
    peak: float | None = None


NOTHING: Final = Memory()


@dataclass(frozen=True, slots=True)
class Raised:
    """The condition has held for its on-delay."""

    at_ms: int
    began_ms: int
    value: float
    peak: float
    index: int


@dataclass(frozen=True, slots=True)
class Returned:
    """A raised condition has been clear for its off-delay."""

    at_ms: int
    raised_ms: int
    peak: float


@dataclass(frozen=True, slots=True)
class Judged:
    """Readings held against a limit.

    Attributes
    ----------
    at : ndarray of int64, shape (n,)
        Strictly increasing. [ms since 1970, UTC]
    value : ndarray of float64, shape (n,)
        Known values only, never NaN.
    exceeded : ndarray of bool, shape (n,)
        Beyond the limit; exactly at it is not beyond.
    cleared : ndarray of bool, shape (n,)
        Back by the deadband; never together with exceeded.
    upward : bool
        The limit is a highest value; else a lowest.
    """

    at: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    exceeded: npt.NDArray[np.bool_]
    cleared: npt.NDArray[np.bool_]
    upward: bool


def advance(memory: Memory, judged: Judged, delays: Delays, hold_ms: int) -> tuple[Memory, list[Raised | Returned]]:
    """Carry a condition over further readings.

    Parameters
    ----------
    memory : Memory
        What is remembered so far; `NOTHING` at first.
    judged : Judged
        All later than `memory.at_ms`.
    delays : Delays
    hold_ms : int
        How long a reading stands. [ms]

    Returns
    -------
    Memory, list of Raised or Returned
        In order of time; raised and returned alternate.
    """
    events: list[Raised | Returned] = []
    count, index = len(judged.at), 0
    wakes = np.flatnonzero(judged.exceeded)
    while index < count:
        if memory.raised_ms is None and not judged.exceeded[index]:
            # Nothing can happen before the limit is next exceeded: go there at once.
            later = np.searchsorted(wakes, index)
            index = int(wakes[later]) if later < len(wakes) else count
            last = index - 1
            memory = Memory(at_ms=int(judged.at[last]), cleared=bool(judged.cleared[last]))
            continue
        memory, event = _step(memory, judged, index, delays, hold_ms)
        if event is not None:
            events.append(event)
        index += 1
    return memory, events


def _step(
    memory: Memory, judged: Judged, index: int, delays: Delays, hold_ms: int
) -> tuple[Memory, Raised | Returned | None]:
    """Carry the condition over one reading."""
    at, value = int(judged.at[index]), float(judged.value[index])
    covered = 0 if memory.at_ms is None else min(at - memory.at_ms, hold_ms)
    if memory.raised_ms is None:
        return _not_raised(memory, at, value, covered, judged.upward, delays, index)
    return _raised(memory, at, value, covered, judged, index, delays)


def _not_raised(
    memory: Memory, at: int, value: float, covered: int, upward: bool, delays: Delays, index: int
) -> tuple[Memory, Raised | None]:
    """Count a reading that exceeds the limit; raise once that has lasted."""
    began = at if memory.began_ms is None else memory.began_ms
    held = memory.held_ms + (covered if memory.exceeded else 0)
    peak = _further(memory.peak, value, upward)
    now = Memory(at_ms=at, exceeded=True, cleared=False, began_ms=began, held_ms=held, peak=peak)
    if held < delays.on_ms:
        return now, None
    return replace(now, raised_ms=at), Raised(at, began, value, peak, index)


def _raised(
    memory: Memory, at: int, value: float, covered: int, judged: Judged, index: int, delays: Delays
) -> tuple[Memory, Returned | None]:
    """Carry a standing alarm; it returns once the value has been back by the deadband for the off-delay."""
    exceeded, cleared = bool(judged.exceeded[index]), bool(judged.cleared[index])
    peak = _further(memory.peak, value, judged.upward)
    clear = memory.clear_ms + covered if memory.cleared and cleared else 0
    if cleared and clear >= delays.off_ms and memory.raised_ms is not None:
        return Memory(at_ms=at, cleared=True), Returned(at, memory.raised_ms, peak)
    return replace(memory, at_ms=at, exceeded=exceeded, cleared=cleared, clear_ms=clear, peak=peak), None


def _further(peak: float | None, value: float, upward: bool) -> float:
    if peak is None:
        return value
    return max(peak, value) if upward else min(peak, value)
