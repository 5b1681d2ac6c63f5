from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.app import create_app
from service.store.engine import open_store
from tests.dashboard.glasshouse import NOW, Glasshouse, Visitor, bare_house, opened


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
    store = open_store(f"sqlite:///{tmp_path / 'wardian.db'}")
    yield Visitor(create_app(bare_house(store, tmp_path, NOW).parts))
    store.close()
