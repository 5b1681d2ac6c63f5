"""The table twin of a chart: the same readings, the lowest and the highest of each step of time."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from dashboard.figures.timeline import Line
from dashboard.words import measured, number
from service.climate.day_cycle import local_day
from service.climate.ranges import HOUR_MS, MINUTE_MS
from service.model import from_ms

_MOST_ROWS: Final = 60
_STEPS_MS: Final = (
    10 * MINUTE_MS, 30 * MINUTE_MS, HOUR_MS, 3 * HOUR_MS, 6 * HOUR_MS, 12 * HOUR_MS, 24 * HOUR_MS, 7 * 24 * HOUR_MS,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Table:
    """Column heads, and rows of a local time with a cell a column."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]


def table_of(lines: Sequence[Line], start_ms: int, end_ms: int, zone: ZoneInfo) -> Table:
    """Return at most some sixty rows over [start, end); a cell without a reading says so [ms, UTC]."""
    step = next((s for s in _STEPS_MS if (end_ms - start_ms) / s <= _MOST_ROWS), _STEPS_MS[-1])
    rows = []
    # Rows begin at round local times: counted from the midnight before the span.
    midnight = local_day(from_ms(start_ms).astimezone(zone).date(), zone)[0]
    first_ms = midnight + (start_ms - midnight) // step * step
    for at_ms in range(first_ms, end_ms, step):
        local = from_ms(at_ms).astimezone(zone)
        cells = tuple(_cell(line, at_ms, at_ms + step) for line in lines)
        rows.append((f"{local:%a} {local.day} {local:%b %H:%M} {local.tzname()}", cells))
    return Table(tuple(f"{line.name} [{line.unit}]" for line in lines), tuple(rows))


def _cell(line: Line, start_ms: int, end_ms: int) -> str:
    first, last = np.searchsorted(line.at, (start_ms, end_ms))
    known = line.value[first:last][~np.isnan(line.value[first:last])]
    if not known.size:
        return "no data"
    low, high = number(float(known.min()), line.unit), number(float(known.max()), line.unit)
    return (
        measured(float(known.min()), line.unit)
        if low == high
        else f"{low} to {measured(float(known.max()), line.unit)}"
    )
