"""kill -9 while a database is brought up to date: it is the old one or the new one, whole, and nothing is lost."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
import sqlalchemy as sa

from service.store.engine import head_revision, open_store
from tests.postgres import Postgres
from tests.store_furnished import contents_at, furnish, migrate
from tests.store_kills import ENOUGH_KILLS, Killed

pytestmark = [pytest.mark.faults, pytest.mark.timeout(900)]
OLD = "0006"
"""Before sealed days."""


@pytest.fixture(params=["sqlite", "postgresql"])
def old_copy(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[int], str]:
    """Return what makes a database of an older version, always the same, and gives its URL."""
    if request.param == "sqlite":
        make_old(f"sqlite:///{tmp_path}/old.db")

        def copy(number: int) -> str:
            shutil.copyfile(tmp_path / "old.db", tmp_path / f"{number}.db")
            return f"sqlite:///{tmp_path}/{number}.db"

        return copy
    cluster: Postgres = request.getfixturevalue("postgres")
    template = request.getfixturevalue("new_postgresql")()
    make_old(template)
    return lambda _number: cluster.database(template.rsplit("/", 1)[1])


def make_old(url: str) -> None:
    store = open_store(url)
    furnish(store, channels=4, days=10)
    store.close()
    migrate(url, OLD)


def revision_of(url: str) -> str:
    engine = sa.create_engine(url)
    try:
        with engine.connect() as connection:
            return str(connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar_one())
    finally:
        engine.dispose()


def test_a_migration_that_is_killed_is_done_whole_the_next_time(
    old_copy: Callable[[int], str], tmp_path: Path, kills: int
) -> None:
    whole = Killed(tmp_path, old_copy(0), "account", "list")
    assert whole.run() == 0, whole.said()
    url = old_copy(1)
    open_store(url).close()
    expected, cut, half = contents_at(url), 0, 0
    for number in range(kills):
        url = old_copy(number + 2)
        killed = Killed(tmp_path, url, "account", "list", seed=number)
        killed.whole_s = whole.whole_s
        cut += next(killed.times(1))
        half += revision_of(url) == OLD
        assert revision_of(url) in {OLD, head_revision()}
        assert contents_at(url) == expected
        assert revision_of(url) == head_revision()
    assert cut > 0 or kills < ENOUGH_KILLS
    print(f"{kills} kills, {cut} before its end; {half} databases were of the old version still, the others of the new")  # noqa: T201 - the count is what is asked for
