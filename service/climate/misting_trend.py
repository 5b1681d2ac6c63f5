"""Is a misting system weakening? Its last responses against those before, at the same time of day."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from service.climate.misting import MistingResult, MistingVerdict

# All of these: common practice, no source.
RECENT_CYCLES: Final = 5
EARLIER_CYCLES: Final = 28
LEAST_EARLIER_CYCLES: Final = 5
WEAKENING_BELOW: Final = 0.6
"""Ratio of the recent median response to the earlier one below which a system is weakening."""
SAME_TIME_WITHIN_MIN: Final = 30
_DAY_MIN: Final = 24 * 60
_JUDGED: Final = frozenset({MistingVerdict.CONFIRMED, MistingVerdict.WEAK, MistingVerdict.NONE})


@dataclass(frozen=True)
class Weakening:
    """How the last cycles compare with those before.

    Parameters
    ----------
    weakening : bool
        False too while too few cycles are known.
    recent, earlier : float
        Median responses, NaN while too few are known. [%RH]
    ratio : float
        NaN while too few are known.
    cycles : int
        How many earlier cycles the comparison rests on.
    sentence : str
    """

    weakening: bool
    recent: float
    earlier: float
    ratio: float
    cycles: int
    sentence: str


def weakening_of(results: Sequence[MistingResult]) -> Weakening:
    """Compare the last 5 responses with up to 28 before them, at least 5.

    Parameters
    ----------
    results : sequence of MistingResult
        Of one enclosure and one time of day, in order of time; those without data or headroom are left out.
    """
    responses = [r.response for r in results if r.verdict in _JUDGED]
    earlier = responses[:-RECENT_CYCLES][-EARLIER_CYCLES:]
    if len(earlier) < LEAST_EARLIER_CYCLES:
        missing = f"Misting trend: {len(responses)} judged cycles, {RECENT_CYCLES + LEAST_EARLIER_CYCLES} are needed."
        return Weakening(False, math.nan, math.nan, math.nan, len(earlier), missing)
    now, then = float(np.median(responses[-RECENT_CYCLES:])), float(np.median(earlier))
    if then <= 0:
        return Weakening(False, now, then, math.nan, len(earlier), "Misting trend: no response to compare with.")
    falls = now / then < WEAKENING_BELOW
    said = f"The last {RECENT_CYCLES} cycles added {now:.0f} %RH, the {len(earlier)} before them {then:.0f} %RH"
    advice = "; look at the nozzle, the filter, the reservoir and the pump" if falls else ""
    return Weakening(falls, now, then, now / then, len(earlier), f"{said}{advice}.")


def by_time_of_day(
    results: Sequence[MistingResult], zone: ZoneInfo, within_min: float = SAME_TIME_WITHIN_MIN
) -> list[list[MistingResult]]:
    """Return the results in groups of one time of day, each in order of time.

    Parameters
    ----------
    results : sequence of MistingResult
        Of one enclosure.
    zone : ZoneInfo
        The wall clock counts, so that a group goes on when the clocks change.
    within_min : float
        A group reaches on while the next time of day is no further away than this, over midnight too. [min]
    """
    if not results:
        return []
    local = [datetime.fromtimestamp(r.at_ms / 1000, zone) for r in results]
    minute = np.array([t.hour * 60 + t.minute + t.second / 60 for t in local])
    order = np.argsort(minute, kind="stable")
    step = np.diff(minute[order], append=minute[order[0]] + _DAY_MIN)
    # Turn the clock so that it begins after a break; without any break all times are one group.
    widest = int(np.argmax(step))
    order, step = np.roll(order, -widest - 1), np.roll(step, -widest - 1)
    groups = np.split(order, np.flatnonzero(step[:-1] > within_min) + 1)
    return [sorted((results[int(i)] for i in group), key=lambda r: r.at_ms) for group in groups]
