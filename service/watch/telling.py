"""Excesses that a probe's own error may explain, told once and not every afternoon (pure).

A limit is passed when the reading passes it: the animal is given the benefit of the doubt. But a place that runs within
its probe's error of a limit passes it every day, and nobody looks at the thirtieth alarm. So an alarm that has gone no
further beyond the limit than the channel's U stands on through the hours in which the value is back, and ends when none
such has come for a day and a half. Once it goes further, that is told at once as a new alarm, which ends as usual.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from service.alarms.delays import Judged, Memory, Raised, Returned
from service.climate.ranges import HOUR_MS

STANDS_MS: Final = 36 * HOUR_MS
"""How long an alarm within the probe's error stands after its last excess (common practice, no source) [ms]."""


@dataclass(frozen=True, slots=True)
class Told:
    """The alarm that stands.

    Attributes
    ----------
    raised_ms : int
        [ms since 1970, UTC]
    peak : float
        The value furthest beyond the limit.
    certain : bool
        An excess beyond the channel's U has lasted for the on-delay.
    again : bool
        The value was back since it was raised.
    back_ms : int or None
        Since when it is back, while it is. [ms since 1970, UTC]
    """

    raised_ms: int
    peak: float
    certain: bool = False
    again: bool = False
    back_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Telling:
    """Something to be told, and whether it lies within the probe's error so far."""

    event: Raised | Returned
    within_error: bool = False


def tell(
    told: Told | None,
    judged: Judged,
    memory: Memory,
    possible: Sequence[Raised | Returned],
    certain: Sequence[Raised | Returned],
) -> tuple[Told | None, list[Telling]]:
    """Carry what is told over further readings.

    Parameters
    ----------
    told : Told or None
        What stands so far.
    judged : Judged
        The readings: an alarm that has stood long enough ends at one of them.
    memory : Memory
        That of the delays after them.
    possible, certain : sequence of Raised or Returned
        What the delays made of the readings beyond the limit, and of those beyond it by more than U.

    Returns
    -------
    Told or None, list of Telling
        In order of time; raised and returned alternate.
    """
    upward, at = judged.upward, judged.at
    at_once = {event.at_ms for event in certain if isinstance(event, Raised)}
    found: list[Telling] = []
    ordered = [(event.at_ms, False, event) for event in possible]
    ordered += [(event.at_ms, True, event) for event in certain if isinstance(event, Raised)]
    for at_ms, is_certain, event in sorted(ordered, key=lambda entry: entry[:2]):
        told = _stood_long_enough(told, at, at_ms, found)
        if isinstance(event, Returned):
            told = None if told is None else _is_back(told, event, found, upward)
        elif is_certain and told is not None:
            told = _becomes_certain(told, event, found)
        else:
            told = _passes_limit(told, event, at_ms not in at_once, found)
    told = _stood_long_enough(told, at, int(at[-1]), found)
    if told is not None and memory.raised_ms is not None and memory.peak is not None:
        told = replace(told, peak=_further(told.peak, memory.peak, upward))
    return told, found


def _further(one: float, other: float, upward: bool) -> float:
    return max(one, other) if upward else min(one, other)


def _stood_long_enough(
    told: Told | None, at: npt.NDArray[np.int64], until_ms: int, found: list[Telling]
) -> Told | None:
    """End at the first reading after it has been back for as long as it stands."""
    if told is None or told.back_ms is None:
        return told
    index = int(np.searchsorted(at, told.back_ms + STANDS_MS))
    if index == len(at) or at[index] > until_ms:
        return told
    found.append(Telling(Returned(int(at[index]), told.raised_ms, told.peak)))
    return None


def _passes_limit(told: Told | None, event: Raised, within_error: bool, found: list[Telling]) -> Told:
    if told is not None:
        return replace(told, back_ms=None)
    found.append(Telling(event, within_error))
    return Told(event.at_ms, event.peak)


def _becomes_certain(told: Told, event: Raised, found: list[Telling]) -> Told:
    if told.certain or not told.again:
        return replace(told, certain=True)
    found.append(Telling(Returned(event.at_ms, told.raised_ms, told.peak)))
    found.append(Telling(event))
    return Told(event.at_ms, event.peak, certain=True)


def _is_back(told: Told, event: Returned, found: list[Telling], upward: bool) -> Told | None:
    peak = _further(told.peak, event.peak, upward)
    if told.certain:
        found.append(Telling(Returned(event.at_ms, told.raised_ms, peak)))
        return None
    return replace(told, peak=peak, again=True, back_ms=event.at_ms)


def within_error_words(uncertainty: float, unit: str) -> str:
    """Return what a reader must know of an alarm that the probe's own error may explain."""
    shown = {"Cel": "°C"}.get(unit, unit)
    return f"Within the probe's error of ± {uncertainty:.1f} {shown} so far: a reference check would tell more."
