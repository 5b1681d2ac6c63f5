"""Old readings go only by a rule, which says so first; summaries and pinned spans stay."""

from datetime import UTC, datetime

import numpy as np
import pytest
from sqlmodel import Session

from service.model import Flag, PinnedSpan, from_ms
from service.store.block_checks import check_blocks
from service.store.blocks import DAY_MS
from service.store.day_summaries import day_summaries
from service.store.engine import Store
from service.store.readings import add_readings
from service.store.retention import apply_retention, plan_retention
from service.store.sealing import QUIET_MS, Sealer
from tests.builders import a_probe, a_site, an_enclosure, stored

DAY, DAYS, KEEP = 20_000, 60, 40
START = DAY * DAY_MS
NOW = START + DAYS * DAY_MS
GOES = DAYS - KEEP
ROWS = [
    (channel, START + n * 7_200_000, float(n % 12), int(Flag.DEVICE_CLOCK))
    for channel in (1, 2)
    for n in range(DAYS * 12)
]


@pytest.fixture
def sealed(store: Store) -> Store:
    with store.write() as session:
        a_site(session)
        a_probe(session, "spot", enclosure=an_enclosure(session))
        a_probe(session, "other", enclosure=an_enclosure(session, "rack-a-2"))
        add_readings(session, ROWS)
    assert list(Sealer(store).run(NOW + QUIET_MS, lambda _: None))
    return store


def pinned(store: Store, first: int, until: int | None, **whose: int) -> None:
    with store.write() as session:
        session.add(
            PinnedSpan(
                from_at=from_ms(START + first), until_at=None if until is None else from_ms(START + until),
                reason="a clutch failed", entered_by="a test", entered_at=datetime.now(UTC), **whose,
            )
        )  # fmt: skip


def planned(session: Session) -> list[tuple[int, int, int]]:
    return [(plan.channel_id, len(plan.days), plan.pinned) for plan in plan_retention(session, KEEP, NOW)]


def test_what_goes_is_said_first_and_nothing_else_goes(sealed: Store) -> None:
    with sealed.read() as session:
        plans = plan_retention(session, KEEP, NOW)
    assert [(plan.channel_id, len(plan.days), plan.readings) for plan in plans] == [
        (n, GOES, GOES * 12) for n in (1, 2)
    ]
    assert len(stored(sealed, 1)) == DAYS * 12
    assert sum(apply_retention(sealed, plans)) == 2 * GOES * 12
    for channel in (1, 2):
        assert stored(sealed, channel).at.tolist() == [
            r[1] for r in ROWS if r[0] == channel and r[1] >= NOW - KEEP * DAY_MS
        ]
    with sealed.read() as session:
        assert planned(session) == []
        assert check_blocks(session) == []


def test_the_summaries_stay(sealed: Store) -> None:
    with sealed.read() as session:
        before = day_summaries(session, 1, DAY, DAY + DAYS)
        plans = plan_retention(session, KEEP, NOW)
    assert sum(apply_retention(sealed, plans))
    with sealed.read() as session:
        after = day_summaries(session, 1, DAY, DAY + DAYS)
    assert after["whole"].tolist() == [False] * GOES + [True] * KEEP
    names = [name for name in before.dtype.names if name != "whole"]
    np.testing.assert_array_equal(before[names], after[names])
    assert (after["low"][0], after["high"][0], after["mean"][0]) == pytest.approx((0, 11, 5.5))


@pytest.mark.parametrize(
    ("first", "until", "whose", "kept"),
    [
        pytest.param(2 * DAY_MS + 5, 3 * DAY_MS + 5, {}, {1: 2, 2: 2}, id="all channels, two days touched"),
        pytest.param(2 * DAY_MS, 3 * DAY_MS, {"channel_id": 2}, {2: 1}, id="one channel, one day"),
        pytest.param(DAY_MS, 5 * DAY_MS, {"enclosure_id": 1}, {1: 4}, id="what stood in an enclosure"),
        pytest.param(15 * DAY_MS, None, {"enclosure_id": 2}, {2: 5}, id="open"),
    ],
)
def test_no_day_that_a_pinned_span_touches_is_deleted(
    sealed: Store, first: int, until: int | None, whose: dict[str, int], kept: dict[int, int]
) -> None:
    pinned(sealed, first, until, **whose)
    with sealed.read() as session:
        plans = plan_retention(session, KEEP, NOW)
        assert planned(session) == [(n, GOES - kept.get(n, 0), kept.get(n, 0)) for n in (1, 2)]
    assert sum(apply_retention(sealed, plans))
    for channel in (1, 2):
        assert len(stored(sealed, channel)) == (KEEP + kept.get(channel, 0)) * 12


def test_what_is_pinned_after_the_plan_was_made_stays_too(sealed: Store) -> None:
    with sealed.read() as session:
        plans = plan_retention(session, KEEP, NOW)
    pinned(sealed, 0, None)
    assert sum(apply_retention(sealed, plans)) == 0
    assert len(stored(sealed, 1)) == DAYS * 12


def test_a_rule_that_keeps_hardly_anything_is_refused(sealed: Store) -> None:
    with sealed.read() as session, pytest.raises(ValueError, match="expected at least 30"):
        plan_retention(session, 29, NOW)


def test_readings_that_come_for_a_day_that_is_gone_are_stored(sealed: Store) -> None:
    with sealed.read() as session:
        plans = plan_retention(session, KEEP, NOW)
    assert sum(apply_retention(sealed, plans))
    with sealed.write() as session:
        assert add_readings(session, [(1, START + 5, 3.25, 1)]) == 1
    assert list(Sealer(sealed).run(NOW + QUIET_MS, lambda _: None)) == []
    assert stored(sealed, 1).value[0] == 3.25
