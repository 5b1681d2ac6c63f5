"""The latest readings of many channels in one question: the watch asks for those of all that spoke, each second."""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from sqlmodel import Session

from service.store.block_rows import driver_cursor, sealed_until
from service.store.blocks import DAY_MS
from service.store.readings import StoredReadings

_TOGETHER: Final = 500
"""So many channels are asked for at once."""
_NEAR_MS: Final = 2 * 3_600_000
"""One question is about one stretch of time: channels that lag far behind the others would make it long. [ms]"""
_ROW: Final = np.dtype([("channel", np.int64), ("at", np.int64), ("value", np.float64), ("flags", np.int16)])


def recent_readings(session: Session, spans: Mapping[int, tuple[int, int]]) -> dict[int, StoredReadings]:
    """Return the readings of channels, each within its own span [start, end), as `read_readings` does.

    Parameters
    ----------
    session : Session
        Of `Store.read`.
    spans : mapping of channel id to (start, end)
        [ms since 1970, UTC]

    Returns
    -------
    dict of channel id to StoredReadings
        Without the channels whose span reaches into sealed days, or lies more than two hours before the others' end:
        each of those is a question of its own, for `read_readings`.
    """
    newest = max((end for _, end in spans.values()), default=0)
    near = sorted(channel for channel, (start, _) in spans.items() if start >= newest - _NEAR_MS)
    found: dict[int, StoredReadings] = {}
    for first in range(0, len(near), _TOGETHER):
        found |= _asked(session, near[first : first + _TOGETHER], spans)
    # After the rows: a day that was sealed in between has lost some of them.
    unsealed_ms = (sealed_until(session) + 1) * DAY_MS
    return {channel: readings for channel, readings in found.items() if spans[channel][0] >= unsealed_ms}


def _asked(
    session: Session, channels: Sequence[int], spans: Mapping[int, tuple[int, int]]
) -> dict[int, StoredReadings]:
    low, high = min(spans[channel][0] for channel in channels), max(spans[channel][1] for channel in channels)
    with driver_cursor(session) as (cursor, mark):
        marks = ", ".join(mark for _ in channels)
        cursor.execute(
            f"SELECT channel_id, at_ms, value, flags FROM reading WHERE channel_id IN ({marks}) "  # noqa: S608 - the marks are ours
            f"AND at_ms >= {mark} AND at_ms < {mark} ORDER BY channel_id, at_ms",
            (*channels, low, high),
        )
        table = np.fromiter(cursor, dtype=_ROW)
    starts, ends = (np.searchsorted(table["channel"], channels, side) for side in ("left", "right"))
    return {
        channel: _within(table[start:end], *spans[channel])
        for channel, start, end in zip(channels, starts.tolist(), ends.tolist(), strict=True)
    }


def _within(rows: np.ndarray, start_ms: int, end_ms: int) -> StoredReadings:
    low, high = np.searchsorted(rows["at"], (start_ms, end_ms)).tolist()
    return StoredReadings(*(np.ascontiguousarray(rows[name][low:high]) for name in ("at", "value", "flags")))
