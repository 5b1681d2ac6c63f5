"""The load of alarms against the figures of ISA-18.2 and EEMUA 191 (pure)."""

from dataclasses import dataclass
from typing import Final, Literal

from service.alarms.load import BUSIEST, FLOOD_ABOVE, Load

Verdict = Literal["acceptable", "at the limit", "too much", "not judged"]
TABLE_5: Final = "ISA-18.2-2016 16.4, table 5"
TABLE_6: Final = "ISA-18.2-2016, table 6; EEMUA 191"
LEAST_DAYS: Final = 30
"""The averages are meant for so many days or more, ISA-18.2-2016 16.4. [d]"""
LEAST_KINDS: Final = 50
"""Of fewer different alarms the ten busiest are always a large share (common practice, no source)."""
LEAST_ALARMS: Final = 50
"""Shares of fewer alarms say little (common practice, no source)."""
PRIORITY_SHARES: Final = {"low": 0.80, "medium": 0.15, "high": 0.05}
"""What the priorities should come to, ISA-18.2-2016 table 6."""


@dataclass(frozen=True, slots=True)
class Benchmark:
    """A measure with what it may be.

    Attributes
    ----------
    key : str
    measure : str
        What is measured, in words.
    value : float
    unit : str
        "alarms", "%" or "bursts".
    acceptable, limit : float
        Up to `acceptable` it is well; beyond `limit` it is too much.
    source : str
    verdict : str
    note : str
        Why it is not judged, or what the standard adds; else empty.
    """

    key: str
    measure: str
    value: float
    unit: str
    acceptable: float
    limit: float
    source: str
    verdict: Verdict
    note: str = ""


@dataclass(frozen=True, slots=True)
class _Row:
    key: str
    measure: str
    unit: str
    acceptable: float
    limit: float
    below: bool = False
    """The limit itself is too much already."""


ROWS: Final = (
    _Row("a-day", "Alarms a day, on average", "alarms", 150, 300),
    _Row("an-hour", "Alarms an hour, on average", "alarms", 6, 12),
    _Row("in-ten-minutes", "Alarms in ten minutes, on average", "alarms", 1, 2),
    _Row("most-in-ten-minutes", "Most alarms in ten minutes", "alarms", FLOOD_ABOVE, FLOOD_ABOVE),
    _Row("busy-spans", f"Ten-minute spans with more than {FLOOD_ABOVE} alarms", "%", 1, 1),
    _Row("flood-time", "Time in flood", "%", 1, 1),
    _Row("ten-busiest", f"Share of the {BUSIEST} most frequent alarms", "%", 1, 5),
    _Row("chattering", "Times that an alarm chattered", "bursts", 0, 0),
    _Row("fleeting", "Fleeting alarms", "alarms", 0, 0),
    _Row("stale", "Stale alarms on the worst day", "alarms", 0, 5, below=True),
)
"""The rows of ISA-18.2-2016 16.4, table 5: averages for one person, over at least 30 days."""


def benchmarks(load: Load) -> tuple[Benchmark, ...]:
    """Return each measure of a load with its verdict, in the order of `ROWS`."""
    values = {
        "a-day": load.per_day,
        "an-hour": load.per_day / 24,
        "in-ten-minutes": load.per_day / 144,
        "most-in-ten-minutes": float(load.most_in_ten),
        "busy-spans": 100 * load.busy_share,
        "flood-time": 100 * load.flood_share,
        "ten-busiest": 100 * load.busiest_share,
        "chattering": float(load.bursts),
        "fleeting": float(load.fleeting),
        "stale": float(load.stale_most),
    }
    return tuple(_judged(row, values[row.key], load) for row in ROWS)


def _judged(row: _Row, value: float, load: Load) -> Benchmark:
    verdict: Verdict = "acceptable"
    note = ""
    if row.key == "ten-busiest" and load.kinds < LEAST_KINDS:
        verdict = "not judged"
        note = f"only {load.kinds} different alarms came; with so few, ten are always a large share"
    elif value > row.limit or (row.below and value >= row.limit):
        verdict = "too much"
    elif value > row.acceptable:
        verdict = "at the limit"
    return Benchmark(row.key, row.measure, value, row.unit, row.acceptable, row.limit, TABLE_5, verdict, note)
