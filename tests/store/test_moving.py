"""A store is copied into another database, compared, and the copy goes on after a break."""

from collections.abc import Callable
from pathlib import Path

import pytest

from service.errors import BadUse, Refused, StoreDamaged, StoreUnusable
from service.store.engine import open_store
from service.store.moving import move_store
from service.store.readings import add_readings
from tests.builders import NOON_MS, a_probe
from tests.store_furnished import contents_at, furnish, spoil


@pytest.fixture
def source(tmp_path: Path) -> str:
    url = f"sqlite:///{tmp_path}/source/wardian.db"
    store = open_store(url)
    furnish(store)
    store.close()
    return url


@pytest.fixture(params=["sqlite", "postgresql"])
def target(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/target/wardian.db"
    return request.getfixturevalue("new_postgresql")()


def test_a_moved_store_holds_the_same_and_takes_new_rows(source: str, target: str) -> None:
    seen: list[tuple[int, int]] = []
    moved = move_store(source, target, lambda done, total: seen.append((done, total)))
    assert contents_at(target) == contents_at(source)
    assert moved.readings == 3 * 4 * 288 + 2
    assert (moved.channels, moved.channel_days, moved.resumed) == (3, 3 * 5 + 1, False)
    assert seen[-1] == (moved.readings, moved.readings)
    store = open_store(target)
    with store.write() as session:
        (channel,) = a_probe(session, "new")
        assert channel == 4
        assert add_readings(session, [(channel, NOON_MS, 20.0, 1)]) == 1
    store.close()


def test_a_store_comes_back_from_postgresql_as_it_went(
    source: str, tmp_path: Path, new_postgresql: Callable[[], str]
) -> None:
    there, back = new_postgresql(), f"sqlite:///{tmp_path}/back.db"
    move_store(source, there)
    move_store(there, back)
    assert contents_at(back) == contents_at(source)


def test_a_target_that_holds_a_room_is_refused_and_left_as_it_was(source: str, target: str) -> None:
    move_store(source, target)
    before = contents_at(target)
    with pytest.raises(Refused, match=r"holds a room already \(Test house\); name an empty database"):
        move_store(source, target)
    assert contents_at(target) == before


def test_the_half_done_copy_of_another_store_is_refused(source: str, target: str, tmp_path: Path) -> None:
    store = open_store(target)
    spoil(store, "CREATE TABLE unfinished_copy (part VARCHAR PRIMARY KEY, said VARCHAR NOT NULL)")
    spoil(store, "INSERT INTO unfinished_copy VALUES ('source', '/elsewhere/wardian.db')")
    store.close()
    with pytest.raises(Refused, match=r"half-done copy of /elsewhere/wardian\.db"):
        move_store(source, target)
    with pytest.raises(StoreUnusable, match="broken off half way; finish it with wardian move-store"):
        open_store(target)


def test_from_and_to_must_be_two_and_from_must_be_there(source: str, tmp_path: Path) -> None:
    with pytest.raises(BadUse, match="the same database"):
        move_store(source, source.replace("/source/", "/source/../source/"))
    with pytest.raises(BadUse, match="there is no such database"):
        move_store(f"sqlite:///{tmp_path}/none.db", f"sqlite:///{tmp_path}/target.db")
    assert not (tmp_path / "none.db").exists()
    assert not (tmp_path / "target.db").exists()


class Broken(Exception):
    """The copy is broken off."""


def _break_off(source: str, target: str, after: int) -> None:
    def stop(done: int, _total: int) -> None:
        if done > after:
            raise Broken

    with pytest.raises(Broken):
        move_store(source, target, stop)


def test_a_copy_that_was_broken_off_goes_on_and_takes_up_what_changed(source: str, target: str) -> None:
    _break_off(source, target, after=1_500)
    store = open_store(source)
    with store.write() as session:
        add_readings(session, [(1, NOON_MS + 1, 21.0, 1)])
    store.close()
    moved = move_store(source, target)
    assert moved.resumed
    assert contents_at(target) == contents_at(source)


def test_a_copy_that_was_spoilt_between_is_found_by_channel_and_day(source: str, target: str) -> None:
    _break_off(source, target, after=2_000)
    store = open_store(target, unfinished=True)
    spoil(store, "UPDATE reading SET value = value + 0.01 WHERE channel_id = 1 AND at_ms = :at", at=NOON_MS - 300_000)
    store.close()
    with pytest.raises(StoreDamaged, match=r"spot-0/air_temperature on 2026-03-02 \(UTC\)"):
        move_store(source, target)


def test_a_source_that_is_written_to_meanwhile_is_noticed(source: str, target: str) -> None:
    writer, rows = open_store(source), iter(range(10_000))

    def write(_done: int, _total: int) -> None:
        with writer.write() as session:
            add_readings(session, [(1, NOON_MS + 1 + next(rows), 21.0, 1)])

    with pytest.raises(Refused, match="was written to while it was copied: stop Wardian"):
        move_store(source, target, write)
    writer.close()
    assert move_store(source, target).resumed
    assert contents_at(target) == contents_at(source)
