"""What is PostgreSQL's own: migrations both ways, partitions by month, COPY with right counts, one state throughout."""

import threading
from collections.abc import Callable
from datetime import UTC, datetime

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlmodel import SQLModel

from service.errors import StoreUnusable
from service.model import Reading, table_of, to_ms
from service.store.engine import head_revision, open_store
from service.store.partitions import END, FIRST, following, month_of, start_of
from service.store.readings import add_readings, newest_readings, read_readings
from tests.builders import NOON_MS, a_probe, a_site
from tests.store_furnished import contents_at, furnish, migrate


@pytest.fixture
def url(new_postgresql: Callable[[str], str]) -> str:
    """Of a database without tables."""
    return new_postgresql("template1")


def _tables(url: str) -> set[str]:
    engine = sa.create_engine(url)
    names = set(sa.inspect(engine).get_table_names())
    engine.dispose()
    return names


def test_the_migrations_make_just_the_tables_of_the_model_and_take_them_away(url: str) -> None:
    open_store(url).close()
    engine = sa.create_engine(url)
    with engine.connect() as connection:
        difference = compare_metadata(MigrationContext.configure(connection), SQLModel.metadata)
    engine.dispose()
    assert [change for change in difference if change[0] != "remove_table"] == []
    assert all(change[1].name.startswith("reading_") for change in difference)
    migrate(url, "base")
    assert _tables(url) == {"alembic_version"}
    migrate(url, head_revision())
    assert table_of(Reading).name in _tables(url)


def test_readings_outlive_the_way_into_partitions_and_back(url: str) -> None:
    migrate(url, "0004")
    engine = sa.create_engine(url)
    rows = [(1, at, 20.5, 1) for at in (-1, 0, start_of(FIRST) - 1, start_of(FIRST), NOON_MS, start_of(END), 2**43)]
    with engine.begin() as connection:
        for row in rows:
            connection.exec_driver_sql("INSERT INTO reading VALUES (%s, %s, %s, %s)", row)
    for revision in ("0005", "0004", "0005"):
        migrate(url, revision)
        with engine.connect() as connection:
            found = connection.exec_driver_sql("SELECT * FROM reading ORDER BY at_ms").all()
        assert [tuple(row) for row in found] == rows
    engine.dispose()
    assert "reading_2026_03" in _tables(url)


def test_this_month_and_the_next_two_are_made_ahead(url: str) -> None:
    open_store(url).close()
    present = month_of(to_ms(datetime.now(UTC)))
    wanted = {"reading_{:04d}_{:02d}".format(*following(present, ahead)) for ahead in range(3)}
    assert wanted <= _tables(url)


def test_old_readings_get_their_month_on_demand_even_in_the_middle_of_a_transaction(url: str) -> None:
    store = open_store(url)
    with store.write() as session:
        a_site(session)
        a_probe(session, "spot")
        assert add_readings(session, [(1, NOON_MS, 1.0, 1)]) == 1
        older = [start_of((2019, 12)) - 1, start_of((2019, 12)), start_of((2020, 1)), -(2**40), 2**43]
        assert add_readings(session, [(1, at, 1.0, 1) for at in older]) == 5
        assert add_readings(session, [(1, at, 9.0, 1) for at in [*older, NOON_MS + 1]]) == 1
    with store.read() as session:
        found = read_readings(session, 1, -(2**62))
        assert found.at.tolist() == sorted([*older, NOON_MS, NOON_MS + 1])
        assert set(found.value.tolist()) == {1.0, 9.0}
        assert [state.at_ms for state in newest_readings(session)] == [2**43]
    assert {"reading_2019_11", "reading_2019_12", "reading_2020_01", "reading_2026_03"} <= _tables(url)
    store.close()


def test_a_month_that_is_made_for_a_transaction_that_fails_does_no_harm(url: str) -> None:
    store = open_store(url)
    with store.write() as session:
        a_site(session)
        a_probe(session, "spot")

    def fail() -> None:
        with store.write() as session:
            add_readings(session, [(1, start_of((2018, 5)), 1.0, 1)])
            raise ValueError("in the middle")

    with pytest.raises(ValueError, match="in the middle"):
        fail()
    with store.write() as session:
        assert len(read_readings(session, 1, 0)) == 0
        assert add_readings(session, [(1, start_of((2018, 5)), 1.0, 1)]) == 1
    store.close()


def test_writers_at_the_same_time_store_each_reading_once(url: str) -> None:
    first, second = open_store(url), open_store(url)
    with first.write() as session:
        a_site(session)
        a_probe(session, "spot", ("air_temperature", "relative_humidity"))
    rows, counts, failed = [(channel, NOON_MS + n, 1.0, 1) for channel in (1, 2) for n in range(300)], [], []

    def write(store: object, order: int) -> None:
        try:
            for start in range(0, 600, 30):
                with store.write() as session:
                    counts.append(add_readings(session, rows[::order][start : start + 30]))
        except Exception as exc:  # noqa: BLE001 - told to the test's own thread
            failed.append(exc)

    threads = [threading.Thread(target=write, args=pair) for pair in ((first, 1), (second, -1))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert sum(counts) == 600
    with first.read() as session:
        assert len(read_readings(session, 1, 0)) == len(read_readings(session, 2, 0)) == 300
        assert [state.at_ms for state in newest_readings(session)] == [NOON_MS + 299] * 2
    first.close()
    second.close()


def test_a_session_for_reading_sees_one_state_throughout(url: str) -> None:
    store = open_store(url)
    furnish(store, days=1)
    with store.read() as session:
        before = len(read_readings(session, 1, 0))
        with store.write() as writer:
            add_readings(writer, [(1, NOON_MS + 1, 1.0, 1)])
        assert len(read_readings(session, 1, 0)) == before
    with store.read() as session:
        assert len(read_readings(session, 1, 0)) == before + 1
    store.close()


def test_two_that_start_at_once_on_a_new_database_make_its_tables_once(url: str) -> None:
    failed: list[Exception] = []

    def start() -> None:
        try:
            open_store(url).close()
        except Exception as exc:  # noqa: BLE001 - told to the test's own thread
            failed.append(exc)

    threads = [threading.Thread(target=start) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert contents_at(url)["reading"].startswith("0:")


def test_a_server_that_does_not_answer_is_a_sentence_without_the_password(url: str) -> None:
    nobody = url.rsplit("@", 1)[0] + "@127.0.0.1:9/none"
    with pytest.raises(StoreUnusable, match="check WARDIAN_DATABASE and that the database runs") as refused:
        open_store(nobody)
    assert url.split(":")[2].split("@", maxsplit=1)[0] not in str(refused.value)
