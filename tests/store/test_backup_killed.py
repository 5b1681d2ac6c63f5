"""kill -9 during a backup, a restore and a move: what was there is there, whole, and the next try succeeds."""

from pathlib import Path

import pytest

from service.store.backup import back_up, inspect_backup
from service.store.engine import open_store
from service.store.readings import add_readings
from tests.builders import NOON_MS
from tests.store_furnished import contents, contents_at, furnish
from tests.store_kills import ENOUGH_KILLS, Killed

pytestmark = [pytest.mark.faults, pytest.mark.timeout(600)]


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Of a database that is not there yet."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/data/wardian.db"
    return request.getfixturevalue("new_postgresql")()


def _room(url: str, days: int = 15) -> dict[str, str]:
    store = open_store(url)
    furnish(store, channels=5, days=days)
    there = contents(store)
    store.close()
    return there


def test_a_backup_that_is_killed_leaves_the_room_and_either_no_backup_or_a_whole_one(
    url: str, tmp_path: Path, kills: int
) -> None:
    expected, file = _room(url), tmp_path / "backups" / "room.zip"
    command = Killed(tmp_path, url, "backup", str(file))
    assert command.run() == 0, command.said()
    file.unlink()
    cut = 0
    for killed in command.times(kills):
        cut += killed
        assert contents_at(url) == expected
        if file.exists():
            assert inspect_backup(file).tables == expected
            file.unlink()
    assert cut > 0 or kills < ENOUGH_KILLS
    assert command.run() == 0, command.said()
    assert inspect_backup(file).tables == expected
    assert [path.name for path in file.parent.iterdir()] == ["room.zip"]


def test_a_restore_that_is_killed_leaves_the_old_room_or_the_new_one(url: str, tmp_path: Path, kills: int) -> None:
    new, file = _room(url), tmp_path / "room.zip"
    store = open_store(url)
    back_up(store, file)
    with store.write() as session:
        add_readings(session, [(1, NOON_MS + 7, 1.0, 1)])
    old = contents(store)
    store.close()
    assert old != new
    command = Killed(tmp_path, url, "restore", str(file), "--yes")
    assert command.run() == 0, command.said()
    seen, cut = [], 0
    for killed in command.times(kills):
        cut += killed
        seen.append(contents_at(url))
        assert seen[-1] in (old, new)
        if seen[-1] == new:
            _make_old(url)
            assert contents_at(url) == old
    assert cut > 0 or kills < ENOUGH_KILLS
    assert command.run() == 0, command.said()
    assert contents_at(url) == new


def _make_old(url: str) -> None:
    store = open_store(url)
    with store.write() as session:
        add_readings(session, [(1, NOON_MS + 7, 1.0, 1)])
    store.close()


def test_a_move_that_is_killed_again_and_again_ends_with_the_same_room(url: str, tmp_path: Path, kills: int) -> None:
    source = f"sqlite:///{tmp_path}/source.db"
    expected = _room(source)
    trial = Killed(tmp_path, source, "move-store", source, f"sqlite:///{tmp_path}/trial.db")
    assert trial.run() == 0, trial.said()
    command = Killed(tmp_path, source, "move-store", source, url)
    # Short of the whole, so that the copy is broken off and taken up again rather than done at once.
    command.whole_s = trial.whole_s * 0.7
    cut = sum(command.times(kills))
    assert cut > 0 or kills < ENOUGH_KILLS
    if command.run() != 0:
        assert "holds a room already" in command.said()  # one of the tries had come to its end
    assert contents_at(url) == expected
    assert contents_at(source) == expected
