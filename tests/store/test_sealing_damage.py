"""A sealed day that is damaged is a gap with a name, never a wrong number; nothing is lost on top of it."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from structlog.testing import capture_logs

from service.model import Flag, ReadingBlock, table_of
from service.store.block_checks import check_blocks
from service.store.blocks import DAY_MS
from service.store.engine import Store
from service.store.readings import add_readings, read_readings
from service.store.sealing import QUIET_MS, Sealer
from tests.builders import a_probe, a_site, stored

DAY, DAYS = 20_000, 3
START = DAY * DAY_MS
CLOCK = int(Flag.DEVICE_CLOCK)
ROWS = [(1, START + n * 600_000, round(20 + np.sin(n / 20), 2), CLOCK) for n in range(DAYS * 144)]
BLOCK = table_of(ReadingBlock)


@pytest.fixture
def sealed(store: Store) -> Store:
    with store.write() as session:
        a_site(session)
        a_probe(session, "spot")
        add_readings(session, ROWS)
    assert list(Sealer(store).run(START + DAYS * DAY_MS + QUIET_MS, lambda _: None))
    return store


def damages(store: Store) -> list[tuple[str, str, str]]:
    with store.read() as session:
        return [(damage.channel, damage.day, damage.said) for damage in check_blocks(session)]


def set_column(store: Store, column: str, value: object, day: int = DAY + 1) -> None:
    with store.write() as session:
        session.execute(BLOCK.update().where(BLOCK.c.day == day).values({column: value}))


def held(store: Store, column: str, day: int = DAY + 1) -> bytes:
    with store.read() as session:
        return session.execute(BLOCK.select().where(BLOCK.c.day == day)).mappings().one()[column]


def test_sound_days_are_all_well(sealed: Store) -> None:
    assert damages(sealed) == []


@given(where=st.floats(0, 1, exclude_max=True), bit=st.integers(0, 7), column=st.sampled_from(["body", "checksum"]))
@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_flipped_bit_makes_a_gap_that_is_named(sealed: Store, where: float, bit: int, column: str) -> None:
    whole = held(sealed, column)
    flipped = bytearray(whole)
    flipped[int(where * len(whole))] ^= 1 << bit
    set_column(sealed, column, bytes(flipped))
    with capture_logs() as logs:
        found = stored(sealed, 1)
    assert found.at.tolist() == [row[1] for row in ROWS if row[1] // DAY_MS != DAY + 1]
    assert [(line["event"], line["day"]) for line in logs] == [("block_damaged", "2024-10-05")]
    ((channel, day, said),) = damages(sealed)
    assert (channel, day) == ("spot/air_temperature", "2024-10-05")
    assert "shown as a gap" in said
    assert "its summary is good: 144 readings" in said
    set_column(sealed, column, whole)
    assert len(stored(sealed, 1)) == len(ROWS)


@pytest.mark.parametrize(
    ("column", "value"), [("high", 99.0), ("fit", 3), ("first_ms", START + DAY_MS + 1), ("mean", None), ("low_ms", 0)]
)
def test_a_damaged_summary_is_named_and_its_readings_are_good(sealed: Store, column: str, value: object) -> None:
    set_column(sealed, column, value)
    ((_, day, said),) = damages(sealed)
    assert day == "2024-10-05"
    assert said.endswith("its summary is damaged; its 144 readings are all good")
    assert len(stored(sealed, 1)) == len(ROWS)


@pytest.mark.parametrize("column", ["readings", "day", "channel_id"])
def test_a_block_that_is_not_where_it_was_written_is_not_believed(sealed: Store, column: str) -> None:
    set_column(sealed, column, {"readings": 143, "day": DAY + 64, "channel_id": 3}[column])
    with sealed.read() as session:
        found = [read_readings(session, channel, 0) for channel in (1, 2, 3)]
    assert [len(each) for each in found] == [288, 0, 0]
    assert len(damages(sealed)) == 1


def test_late_readings_of_a_damaged_day_stay_beside_it(sealed: Store) -> None:
    """Writing the day anew would bury what a backup can still be compared with."""
    body = held(sealed, "body")
    set_column(sealed, "body", body[:-1])
    late = (1, START + DAY_MS + 77, 5.5, CLOCK)
    with sealed.write() as session:
        assert add_readings(session, [late]) == 1
    assert list(Sealer(sealed).run(START + 9 * DAY_MS, lambda _: None)) == []
    assert 5.5 in stored(sealed, 1).value
    assert held(sealed, "body") == body[:-1]
    set_column(sealed, "body", body)
    assert len(stored(sealed, 1)) == len(ROWS) + 1
    assert list(Sealer(sealed).run(START + 9 * DAY_MS, lambda _: None))[-1].readings == 1
    assert damages(sealed) == []


def test_readings_stored_twice_are_named(sealed: Store) -> None:
    with sealed.write() as session:
        session.connection().exec_driver_sql(f"INSERT INTO reading VALUES (1, {START}, 9.5, 1)")  # noqa: S608 - our own
    assert stored(sealed, 1).value[0] == 20.0
    ((_, day, said),) = damages(sealed)
    assert day == "2024-10-04"
    assert "1 readings are stored twice; the sealed ones count" in said


def test_a_counter_behind_the_sealed_days_is_named(sealed: Store) -> None:
    with sealed.write() as session:
        session.connection().exec_driver_sql("UPDATE counter SET value = 5 WHERE name = 'sealed'")
    ((channel, _, said),) = damages(sealed)
    assert channel == ""
    assert "counter: sealed stands before the last sealed day" in said
