from datetime import UTC, datetime
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic import command
from alembic.config import Config

from service.errors import StoreUnusable
from service.model import Person
from service.people.signing_in import open_session
from service.roomfile.applying import apply_room_file
from service.roomfile.reading import parse_room_file
from service.store.engine import open_store

NOW = datetime(2026, 3, 10, 14, 0, tzinfo=UTC)
ROOM = """
[site]
name = "North house"
timezone = "Europe/Lisbon"
[[room]]
id = "front"
[[enclosure]]
id = "a-1"
name = "Day geckos 1"
room = "front"
[[animal]]
name = "Ana"
species = "Phelsuma grandis"
[[animal.housing]]
enclosure = "a-1"
from = 2026-01-01T00:00:00Z
"""


def _filled_at(path: Path, revision: str) -> None:
    """Leave a room with an animal and someone signed in, as a program of that revision left it."""
    store = open_store(f"sqlite:///{path}")
    apply_room_file(store, parse_room_file(ROOM), "a test", NOW)
    with store.write() as session:
        session.add(Person(name="Ana", key="ana", role="owner", password="x", made_at=NOW, made_by="a test"))  # noqa: S106 - kept of nobody's password
        session.flush()
        open_session(session, 1, NOW)
    store.close()
    engine = sa.create_engine(f"sqlite:///{path}")
    with engine.begin() as connection:
        config = Config()
        config.set_main_option("script_location", "service/store/migrations")
        config.attributes["connection"] = connection
        command.downgrade(config, revision)
    engine.dispose()


def test_a_room_with_rows_that_refer_to_each_other_comes_up_to_date(tmp_path: Path) -> None:
    _filled_at(tmp_path / "w.db", "0008")
    store = open_store(f"sqlite:///{tmp_path / 'w.db'}")
    with store.write() as session:
        connection = session.connection()
        assert connection.exec_driver_sql("PRAGMA foreign_key_check").all() == []
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
        for table in ("animal", "housing", "person", "session"):
            assert connection.exec_driver_sql(f"SELECT count(*) FROM {table}").scalar() == 1  # noqa: S608 - the names above
    store.close()


def test_a_reference_that_is_broken_is_told_and_nothing_is_changed(tmp_path: Path) -> None:
    _filled_at(tmp_path / "w.db", "0008")
    engine = sa.create_engine(f"sqlite:///{tmp_path / 'w.db'}")
    with engine.begin() as connection:
        connection.exec_driver_sql("DELETE FROM animal")
    engine.dispose()
    with pytest.raises(StoreUnusable, match="a row of housing refers to one of animal that is not there"):
        open_store(f"sqlite:///{tmp_path / 'w.db'}")
    with engine.connect() as connection:
        assert connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar() == "0008"
    engine.dispose()
