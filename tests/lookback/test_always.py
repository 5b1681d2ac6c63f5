"""What must hold of every look-back, whatever the readings."""

import json
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from past_room import (
    CLOCK,
    HOUR,
    NO_SOURCE,
    PROFILE,
    Values,
    assessed,
    climate,
    furnish,
    instant,
    looked_back,
    ms,
    put,
)

from service.lookback.report import to_bytes
from service.lookback.text import text_of
from service.model import Flag, from_ms, to_ms
from service.store.engine import Store
from tests.empty_store import sqlite_store

EVERY = 600_000
BODY = {
    "target": [
        *PROFILE["target"],
        {"check": "night-floor", "low": 20.0, "source": NO_SOURCE},
        {"check": "humidity-spikes", "low": 1, "high": 3, "source": NO_SOURCE},
        {"check": "dry-down", "high": 6.0, "source": NO_SOURCE},
        {"check": "warm-up", "source": NO_SOURCE},
    ]
}
Rows = list[tuple[int, int, float, int]]
MANY = settings(deadline=None, max_examples=6, suppress_health_check=list(HealthCheck))


@st.composite
def pasts(draw: st.DrawFn) -> Rows:
    """Return three days of readings: some hours missing, some hot, some unfit, a few out of nowhere."""
    at = np.arange(ms(0), ms(3), EVERY, dtype=np.int64)
    values: Values = climate(at, ms(0), misted=draw(st.booleans()))
    rows: Rows = []
    for channel, row in values.items():
        start = draw(st.integers(0, len(at) - 1))
        length = draw(st.integers(0, 120))
        shift = draw(st.floats(-8, 8, width=16))
        flag = draw(st.sampled_from([CLOCK, CLOCK, int(Flag.APPROXIMATE), int(Flag.IMPOSSIBLE)]))
        lost = draw(st.booleans())
        for n, (when, value) in enumerate(zip(at.tolist(), row.tolist(), strict=True)):
            troubled = start <= n < start + length
            if troubled and lost:
                continue
            rows.append((channel, when, value + (shift if troubled else 0.0), flag if troubled else CLOCK))
    return rows


class Stores:
    """Makes new stores, and closes them."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._made = folder, list[Store]()

    def new(self, timezone: str = "UTC") -> Store:
        store = sqlite_store(self._folder / f"{len(self._made)}.db")
        self._made.append(store)
        furnish(store, timezone=timezone, body=BODY, every_s=EVERY / 1000)
        return store

    def close(self) -> None:
        for store in self._made:
            store.close()


@pytest.fixture
def stores(tmp_path: Path) -> Iterator[Stores]:
    made = Stores(tmp_path)
    yield made
    made.close()


@MANY
@given(rows=pasts(), order=st.randoms(use_true_random=False), batch=st.integers(50, 900))
def test_the_order_of_arrival_does_not_show(stores: Stores, rows: Rows, order: Any, batch: int) -> None:
    plain, shuffled = stores.new(), stores.new()
    put(plain, rows)
    mixed = list(rows)
    order.shuffle(mixed)
    for start in range(0, len(mixed), batch):
        put(shuffled, mixed[start : start + batch])
        # Looking back in between must leave nothing stale behind.
        assessed(shuffled, 3, now=instant(4))
    before, after = (looked_back(s, "2026-03-02", "2026-03-04", now=instant(4)) for s in (plain, shuffled))
    # That the verdicts changed as readings came is told too; all else is the same.
    assert before.pop("corrections") == []
    assert {one["kind"] for one in after.pop("corrections")} <= {"late readings", "verdict changed"}
    assert to_bytes(before) == to_bytes(after)


@MANY
@given(rows=pasts(), hours=st.integers(-11, 12))
def test_another_time_zone_shifts_the_days_and_nothing_else(stores: Stores, rows: Rows, hours: int) -> None:
    """The same local climate elsewhere on the globe: what is told differs by the shift of its instants alone."""
    here, there = stores.new(), stores.new(f"Etc/GMT{-hours:+d}")
    shift = -hours * HOUR
    put(here, rows)
    put(there, [(channel, at + shift, value, flags) for channel, at, value, flags in rows])
    now = instant(4)
    before = looked_back(here, "2026-03-02", "2026-03-04", now=now)
    after = looked_back(there, "2026-03-02", "2026-03-04", now=from_ms(to_ms(now) + shift))
    for part in ("days", "misting", "gaps"):
        assert shifted(before[part], shift) == shifted(after[part], 0)
    assert after["summary"] == before["summary"]


def shifted(part: Any, shift: int) -> Any:
    """Return JSON values with every instant moved; fingerprints are of instants, and are left out."""
    if isinstance(part, dict):
        return {key: shifted(value, shift) for key, value in part.items() if key != "fingerprint"}
    if isinstance(part, list):
        return [shifted(value, shift) for value in part]
    if isinstance(part, str) and part.endswith("Z") and part[4:5] == "-":
        at = from_ms(to_ms(datetime.fromisoformat(part)) + shift)
        return f"{at:%Y-%m-%dT%H:%M:%S}.{at.microsecond // 1000:03d}Z"
    return part


@MANY
@given(rows=pasts(), hour=st.floats(0, 96))
def test_any_past_is_told_at_any_hour_without_a_number_that_is_none(stores: Stores, rows: Rows, hour: float) -> None:
    store = stores.new()
    put(store, rows)
    now = instant(0, hour)
    report = looked_back(store, "2026-03-01", "2026-03-06", now=now)
    assert json.loads(json.dumps(report, allow_nan=False)) == report
    assert all(day["date"] <= f"{now:%Y-%m-%d}" for day in report["days"])
    text = text_of(report)
    assert "nan" not in text
    assert "inf " not in text
    assert sum(gap["to"] <= gap["from"] for gap in report["gaps"]) == 0
    assert report["data"]["readings"] <= len(rows)
