from collections.abc import Iterator
from pathlib import Path

import pytest

from service.store.engine import Store
from tests.empty_store import sqlite_store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = sqlite_store(tmp_path / "wardian.db")
    yield opened
    opened.close()
