from collections.abc import Iterator

import pytest

from service.store.engine import Store
from tests.notify.receivers import HookServer, Mailbox
from tests.notify.telling_room import TellingRoom


@pytest.fixture
def mailbox() -> Iterator[Mailbox]:
    with Mailbox() as receiving:
        yield receiving


@pytest.fixture
def hook() -> Iterator[HookServer]:
    with HookServer() as receiving:
        yield receiving


@pytest.fixture
def room(store: Store) -> TellingRoom:
    made = TellingRoom(store)
    made.furnish()
    return made
