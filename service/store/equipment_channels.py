"""What a measuring plug or a contact says of lamps and pumps: which of them it is, and when a pump ran.

A `power` channel in a zone where lamps hang is a lamp's; in any other zone it is the misting pump's. A `switch` channel
is the pump's state: 1 while it runs.
"""

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np

from service.climate.day_view import Cycle
from service.climate.ranges import MINUTE_MS
from service.climate.series import Series, runs

LAMP_ZONES: Final = ("basking", "warm-end", "canopy")
RUNS_ABOVE_WATT: Final = 5.0
"""A misting pump that draws more than this runs (common practice, no source) [W]."""
_RUNS_ABOVE: Final = {"switch": (0.5, "pump state"), "power": (RUNS_ABOVE_WATT, "pump current")}
SAME_CYCLE_MIN: Final = 15
"""A pump that ran within this time of a scheduled cycle ran for it (common practice, no source) [min]."""


def is_lamp(quantity: str, zone: str) -> bool:
    """Say whether a channel there measures a lamp's power."""
    return quantity == "power" and zone in LAMP_ZONES


def is_pump(quantity: str, zone: str) -> bool:
    """Say whether a channel there measures the misting pump."""
    return zone != "outside" and (quantity == "switch" or (quantity == "power" and zone not in LAMP_ZONES))


def measured_cycles(series: Series, quantity: str, start_ms: int, end_ms: int) -> list[Cycle]:
    """Return the cycles that a pump channel saw begin within a span.

    Parameters
    ----------
    series : Series
        Of a `switch` channel, or of a `power` channel of the pump. [0/1 or W]
    quantity : str
        "switch" or "power".
    start_ms, end_ms : int
        [start_ms, end_ms); a pump that runs when it begins, began before. [ms, UTC]
    """
    above, basis = _RUNS_ABOVE[quantity]
    found = runs(series, float(np.nextafter(above, np.inf)), np.inf, start_ms, end_ms)
    return [Cycle(first, (last - first) / 1000, basis) for first, last in found.tolist() if first > start_ms]


def cycles_due(scheduled: Iterable[Cycle], measured: Sequence[Cycle]) -> tuple[Cycle, ...]:
    """Return the cycles that were due or ran, in order of time.

    A cycle that was measured takes the place of the scheduled one that it was run for; one that was scheduled and not
    measured stays, by its schedule: it was due, and the air will say whether it came.
    """
    ran = np.array(sorted(cycle.at_ms for cycle in measured), dtype=np.int64)
    near = SAME_CYCLE_MIN * MINUTE_MS
    missed = [c for c in scheduled if not ran.size or int(np.abs(ran - c.at_ms).min()) > near]
    return tuple(sorted((*measured, *missed), key=lambda cycle: cycle.at_ms))
