"""Charts of years are drawn from the summaries of days, and show what they would from all readings."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.model import Flag
from service.store.blocks import DAY_MS
from service.store.day_summaries import day_summaries
from service.store.engine import Store
from service.store.facts import CalibrationFact, PlacementFact, load_facts
from service.store.history import ChannelSeries, chart_series
from service.store.long_spans import span_readings
from service.store.readings import END_OF_TIME, add_readings
from service.store.sealing import QUIET_MS, Sealer
from tests.builders import a_probe, a_site, an_enclosure
from tests.empty_store import sqlite_store

DAY, DAYS, HOUR = 20_000, 150, 3_600_000
START, END = DAY * DAY_MS, (DAY + DAYS) * DAY_MS
POINTS, COLUMNS = 60, 15


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    opened = sqlite_store(tmp_path_factory.mktemp("years") / "w.db")
    with opened.write() as session:
        a_site(session)
        an_enclosure(session)
        a_probe(session, "slow", every_s=7200)
        a_probe(session, "undeclared", every_s=None)
    yield opened
    opened.close()


def filled(store: Store, rows: list[tuple[int, int, float, int]]) -> None:
    with store.write() as session:
        for table in ("reading", "reading_block", "channel_state", "channel_day"):
            session.connection().exec_driver_sql(f"DELETE FROM {table}")  # noqa: S608 - our own names
        add_readings(session, rows)


def sealed(store: Store, now_ms: int = END + 2 * DAY_MS + QUIET_MS) -> None:
    assert list(Sealer(store).run(now_ms, lambda _: None))


def noisy(seed: int, channel: int, days: int = DAYS) -> list[tuple[int, int, float, int]]:
    """Readings every two hours with days missing, readings missing, flags of all kinds, and values that repeat."""
    chance = np.random.default_rng(seed)
    at = START + np.arange(days * 12) * 2 * HOUR + chance.integers(0, HOUR // 2, days * 12)
    value = np.round(20 + 8 * np.sin(at / 3e8) + chance.normal(0, chance.choice([0.05, 3]), len(at)), 1)
    flags = np.full(len(at), int(Flag.DEVICE_CLOCK))
    odd = chance.random(len(at)) < chance.choice([0, 0.01])
    flags[odd] = chance.choice(
        [int(Flag.IMPOSSIBLE), int(Flag.APPROXIMATE), int(Flag.LATE | Flag.DEVICE_CLOCK)], odd.sum()
    )
    kept = chance.random(len(at)) > chance.choice([0, 0.02])
    for first in chance.integers(0, days, chance.integers(0, 4)):
        kept[first * 12 + chance.integers(0, 24) :][: chance.integers(1, 40)] = False
    return [(channel, *row) for row in zip(*(a[kept].tolist() for a in (at, value, flags)), strict=True)]


def drawn(
    store: Store,
    channel: int,
    span: tuple[int, int] = (START, END),
    stays: tuple[tuple[int, int], ...] = ((0, END_OF_TIME),),
    checks: tuple[int, ...] = (),
) -> ChannelSeries:
    with store.read() as session:
        facts = load_facts(session)
        fact = facts.channels[channel]
        ends = [*checks[1:], END_OF_TIME]
        steps = [
            CalibrationFact(at, end, channel, 20.3 + n, 20.0, 0.1)
            for n, (at, end) in enumerate(zip(checks, ends[: len(checks)], strict=True))
        ]
        facts.channels[channel] = replace(fact, calibrations=tuple(steps))
        places = [PlacementFact(start, end, n + 1, channel, 1, "basking") for n, (start, end) in enumerate(stays)]
        (series,) = chart_series(session, facts, places, *span, POINTS)
    return series


def told(series: ChannelSeries) -> list[Any]:
    """Return all that a chart is made of."""
    columns = (series.at, series.value.round(9), series.flags, series.gaps)
    return [*(column.tolist() for column in columns), series.readings, series.cadence_ms]


@given(
    seed=st.integers(0, 2**32),
    channel=st.integers(1, 2),
    cut=st.tuples(st.integers(0, 20 * DAY_MS), st.integers(0, 20 * DAY_MS)),
    away=st.tuples(st.integers(START, END), st.integers(0, 20 * DAY_MS)),
    checks=st.sets(st.integers(START, END), max_size=3),
    unsealed=st.integers(0, 30),
)
@settings(deadline=None, max_examples=12)
def test_a_chart_of_sealed_days_is_the_chart_of_their_readings(
    store: Store,
    seed: int,
    channel: int,
    cut: tuple[int, int],
    away: tuple[int, int],
    checks: set[int],
    unsealed: int,
) -> None:
    filled(store, noisy(seed, channel))
    how = {
        "span": (START + cut[0], END - cut[1]),
        "stays": ((0, away[0]), (away[0] + away[1], END_OF_TIME)),
        "checks": tuple(sorted(checks)),
    }
    before = told(drawn(store, channel, **how))
    sealed(store, END - unsealed * DAY_MS + QUIET_MS)
    np.testing.assert_equal(told(drawn(store, channel, **how)), before)


def test_most_days_of_a_long_span_are_not_unpacked(store: Store) -> None:
    rows = [(1, START + n * 2 * HOUR, 20 + n % 12 / 10, 1) for n in range(DAYS * 12)]
    filled(store, rows)
    sealed(store)
    with store.read() as session:
        fact = load_facts(session).channels[1]
        read = span_readings(session, fact, np.array([[START, END]]), COLUMNS)
    assert read.count == len(rows)
    assert len(read.readings) < len(rows) / 2


def test_a_damaged_summary_is_not_drawn_from(store: Store) -> None:
    rows = [(1, START + n * 2 * HOUR, 20 + n % 12 / 10, 1) for n in range(DAYS * 12)]
    filled(store, rows)
    before = told(drawn(store, 1))
    sealed(store)
    with store.write() as session:
        session.connection().exec_driver_sql("UPDATE reading_block SET high = 99.5 WHERE day % 3 = 0")
    np.testing.assert_equal(told(drawn(store, 1)), before)
    with store.read() as session:
        assert len(day_summaries(session, 1, DAY, DAY + DAYS)) == DAYS * 2 // 3
