"""The order in which readings were lived through: a clock that is set back lets a time come twice (pure).

Readings carry their *turn*: how often their channel's time had gone back with the clock, modulo 8. Those of a later
turn came later, whatever their times. So the live watch, one that starts again, and replay go through them alike.
"""

from typing import Final

import numpy as np
import numpy.typing as npt

from service.climate.ranges import HOUR_MS
from service.model import TURN_BITS
from service.store.readings import StoredReadings

_TURN: Final = TURN_BITS & -TURN_BITS
_TURNS: Final = TURN_BITS // _TURN + 1


def turn_of(flags: int) -> int:
    """Return the turn that a reading's flags tell."""
    return (flags & TURN_BITS) // _TURN


def turns_on(turn: int, since: int) -> int:
    """Return by how many turns one is later than another, negative where it is earlier: -4 to 3."""
    return (turn - since + _TURNS // 2) % _TURNS - _TURNS // 2


def turns_after(readings: StoredReadings, turn: int) -> npt.NDArray[np.int64]:
    """Return of each reading by how many turns it is later than a turn, negative where it is earlier."""
    turns = (readings.flags.astype(np.int64) & TURN_BITS) // _TURN
    return (turns - turn + _TURNS // 2) % _TURNS - _TURNS // 2


def lived_runs(readings: StoredReadings) -> list[tuple[int, StoredReadings]]:
    """Return readings turn by turn, in the order in which they came; in each turn they are in order of time.

    Parameters
    ----------
    readings : StoredReadings
        Of one channel, in order of time, no late ones among them.

    Returns
    -------
    list of (int, StoredReadings)
        Each with its turn.
    """
    if not len(readings):
        return []
    turns = (readings.flags.astype(np.int64) & TURN_BITS) // _TURN
    if turns.min() == turns.max():
        return [(int(turns[0]), readings)]
    # Readings that are neighbours in time are of turns that are near each other: so more than eight can be told apart.
    counted = np.unwrap(turns, period=_TURNS)
    return [(int(count) % _TURNS, those(readings, counted == count)) for count in np.unique(counted)]


def before_turning(readings: StoredReadings, turn: int | None) -> StoredReadings:
    """Return readings as one past: what a turn brought, and before its first hour what those before it brought.

    Parameters
    ----------
    readings : StoredReadings
        As for `lived_runs`.
    turn : int or None
        None is that of the newest.
    """
    runs = lived_runs(readings)
    if len(runs) < 2:  # noqa: PLR2004 - one turn: nothing came twice
        return readings
    turn = runs[-1][0] if turn is None else turn
    on = turns_after(readings, turn)
    its_own = readings.at[on == 0]
    first_ms = hour_of(int(its_own[0])) if len(its_own) else int(readings.at[-1]) + 1
    return those(readings, (on == 0) | ((on < 0) & (readings.at < first_ms)))


def hour_of(at_ms: int) -> int:
    """Return the beginning of the hour (UTC) that an instant lies in. [ms since 1970, UTC]."""
    return at_ms - at_ms % HOUR_MS


def those(readings: StoredReadings, which: npt.NDArray[np.bool_]) -> StoredReadings:
    """Return some of the readings."""
    return StoredReadings(readings.at[which], readings.value[which], readings.flags[which])
