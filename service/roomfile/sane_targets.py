"""Targets that could be written down and yet make no sense: limits that nothing alive meets, or that contradict.

All bounds: common practice, no source. They catch slips of the pen; what an animal needs is for its keeper to say.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from service.roomfile.spec import TargetSpec

_USUAL: Final[Mapping[str, tuple[float, float]]] = {
    "hot-spot": (15.0, 60.0),
    "hot-spot-peak": (18.0, 65.0),
    "warm-up": (1.0, 360.0),
    "gradient": (0.0, 30.0),
    "cool-retreat": (5.0, 40.0),
    "night-drop": (-5.0, 25.0),
    "night-floor": (0.0, 32.0),
    "night-ceiling": (5.0, 36.0),
    "humidity-day": (0.0, 100.0),
    "humidity-night": (0.0, 100.0),
    "humidity-alarm": (0.0, 100.0),
    "humidity-spikes": (0.0, 48.0),
    "dry-down": (0.0, 48.0),
    "photoperiod": (0.0, 24.0),
    "incubation": (15.0, 40.0),
}
"""Where the limits of a check usually lie, in its own unit."""
_CANNOT_LEAVE: Final = frozenset({"humidity-day", "humidity-night", "humidity-alarm", "photoperiod"})
"""No day has more than 24 h, no air more than 100 %RH."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """What is doubtful about a target.

    Attributes
    ----------
    check : str
    sentence : str
        What is doubtful, and what was expected.
    is_impossible : bool
        Nothing could ever meet it: it is not to be saved.
    """

    check: str
    sentence: str
    is_impossible: bool = False


def doubts_about(targets: Sequence[TargetSpec]) -> list[Doubt]:
    """Return what is doubtful about targets that hold at one time, those that cannot be first."""
    found = [doubt for target in targets for doubt in _out_of_range(target)]
    found += _contradictions({target.check: target for target in targets})
    return sorted(found, key=lambda doubt: not doubt.is_impossible)


def _out_of_range(target: TargetSpec) -> list[Doubt]:
    usual = _USUAL.get(target.check)
    if usual is None:
        return []
    low, high = usual
    outside = [end for end in (target.low, target.high) if end is not None and not low <= end <= high]
    return [
        Doubt(target.check, f"{end:g} lies outside {low:g} to {high:g}", target.check in _CANNOT_LEAVE)
        for end in outside
    ]


def _contradictions(by_check: Mapping[str, TargetSpec]) -> list[Doubt]:
    rules = (
        ("hot-spot-peak", "high", "hot-spot", "high", "the ceiling {0:g} lies below the hot spot's upper end {1:g}"),
        ("hot-spot", "high", "cool-retreat", "high", "the hot spot may be {0:g}, no warmer than the retreat, {1:g}"),
        ("night-ceiling", "high", "night-floor", "low", "the night's ceiling {0:g} lies below its floor {1:g}"),
        ("humidity-day", "low", "humidity-alarm", "low", "the alarm at {1:g} lies above the day's lower end {0:g}"),
        ("humidity-night", "low", "humidity-alarm", "low", "the alarm at {1:g} lies above the night's lower end {0:g}"),
    )
    found: list[Doubt] = []
    for check, end, other, other_end, words in rules:
        one, two = (getattr(by_check.get(c), e, None) for c, e in ((check, end), (other, other_end)))
        if one is not None and two is not None and one < two:
            found.append(Doubt(check, words.format(one, two)))
    return found
