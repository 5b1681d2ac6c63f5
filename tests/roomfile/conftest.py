from collections.abc import Iterator
from pathlib import Path

import pytest

from service.store.engine import Store, open_store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(f"sqlite:///{tmp_path}/wardian.db")
    yield opened
    opened.close()
