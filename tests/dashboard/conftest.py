from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.app import create_app
from tests.dashboard.glasshouse import NOW, Glasshouse, Visitor, bare_house, opened
from tests.dashboard.past_room import past_room
from tests.empty_store import sqlite_store


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Glasshouse]:
    """Filled once: tests only read it."""
    with opened(tmp_path_factory.mktemp("glasshouse")) as house:
        yield house


@pytest.fixture(scope="session")
def client(filled: Glasshouse) -> Visitor:
    return Visitor(create_app(filled.parts))


@pytest.fixture
def house(tmp_path: Path) -> Iterator[Glasshouse]:
    """One that a test may write to."""
    with opened(tmp_path) as writable:
        yield writable


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Visitor]:
    store = sqlite_store(tmp_path / "wardian.db")
    yield Visitor(create_app(bare_house(store, tmp_path, NOW).parts))
    store.close()


@pytest.fixture(scope="session")
def past(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Glasshouse]:
    """A room with five weeks behind it: tests only read it."""
    house = past_room(tmp_path_factory.mktemp("past"))
    yield house
    house.store.close()


@pytest.fixture(scope="session")
def looking_back(past: Glasshouse) -> Visitor:
    return Visitor(create_app(past.parts))


@pytest.fixture
def past_house(tmp_path: Path) -> Iterator[Glasshouse]:
    """One with a past that a test may write to."""
    house = past_room(tmp_path)
    yield house
    house.store.close()
