"""When an enclosure's channels did not say what was, and why; and how many readings they did say it with."""

from collections.abc import Iterable, Sequence
from typing import Final, TypedDict

import numpy as np

from service.climate.series import gaps
from service.lookback.inputs import DayReadings, Heard, Tape
from service.model import Flag

NOTHING: Final = "nothing was received"
APPROXIMATE: Final = "the times of the readings are only approximate"
IMPOSSIBLE: Final = "the readings cannot be true"


class Gap(TypedDict):
    """A span [from_ms, to_ms) in which a channel says nothing that can be judged."""

    channel: str
    zone: str
    from_ms: int
    to_ms: int
    reason: str


class Counts(TypedDict):
    """How many readings there are; the last two are stored and shown, and judge nothing."""

    readings: int
    approximate: int
    refused: int


def gaps_of(day: DayReadings) -> list[Gap]:
    """Return the gaps of a local day so far, of each channel while it stood in the enclosure."""
    given = day.given
    found: list[Gap] = []
    for heard in day.heard:
        start = max(given.start_ms, heard.placed.start_ms)
        end = min(given.end_ms, heard.placed.end_ms, given.now_ms)
        if start >= end:
            continue
        for first, last in gaps(heard.series(start, end), start, end).tolist():
            reason = _reason(heard.tape, first, last)
            found.append(
                Gap(channel=heard.placed.fact.key, zone=heard.placed.zone, from_ms=first, to_ms=last, reason=reason)
            )
    return found


def _reason(tape: Tape, start: int, end: int) -> str:
    low, high = np.searchsorted(tape.at, (start, end))
    unfit = tape.unfit[low:high]
    impossible, approximate = (int(np.count_nonzero(unfit & flag)) for flag in (Flag.IMPOSSIBLE, Flag.APPROXIMATE))
    if not impossible and not approximate:
        return NOTHING
    return IMPOSSIBLE if impossible >= approximate else APPROXIMATE


def counts_of(day: DayReadings) -> Counts:
    """Return how many readings of a local day the enclosure's channels sent while they stood in it."""
    parts = [_part(heard, day.given.start_ms, day.given.end_ms) for heard in day.heard]
    return Counts(
        readings=sum(len(part) for part in parts),
        approximate=sum(int(np.count_nonzero(part & Flag.APPROXIMATE)) for part in parts),
        refused=sum(int(np.count_nonzero(part & Flag.IMPOSSIBLE)) for part in parts),
    )


def _part(heard: Heard, start: int, end: int) -> np.ndarray:
    # The instant at which a channel was taken away is no reading of it.
    low, high = max(start, heard.placed.start_ms), min(end, heard.placed.end_ms)
    first, last = np.searchsorted(heard.tape.at, (low, max(low, high)))
    return heard.tape.unfit[int(first) : int(last)]


def joined(found: Iterable[Gap]) -> list[Gap]:
    """Return gaps in order of channel and time, those that go on over midnight made one."""
    ordered = sorted(found, key=lambda gap: (gap["channel"], gap["zone"], gap["from_ms"]))
    together: list[Gap] = []
    for gap in ordered:
        last = together[-1] if together else None
        if (
            last
            and all(last[name] == gap[name] for name in ("channel", "zone", "reason"))
            and last["to_ms"] == gap["from_ms"]
        ):
            together[-1] = Gap(**{**last, "to_ms": gap["to_ms"]})
        else:
            together.append(gap)
    return together


def within(found: Sequence[Gap], start_ms: int, end_ms: int) -> list[Gap]:
    """Return the gaps, or parts of them, that lie within a span."""
    cut = [Gap(**{**g, "from_ms": max(g["from_ms"], start_ms), "to_ms": min(g["to_ms"], end_ms)}) for g in found]
    return [gap for gap in cut if gap["from_ms"] < gap["to_ms"]]
