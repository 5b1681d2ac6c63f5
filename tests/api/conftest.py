from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import httpx
import pytest
from api_people import PASSWORD, settle
from api_room import House, RoomBuilder, furnish, house_of

from service.people.passwords import kept
from service.store.engine import Store
from tests.empty_store import sqlite_store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = sqlite_store(tmp_path / "wardian.db")
    yield opened
    opened.close()


@pytest.fixture
def room(store: Store) -> RoomBuilder:
    return RoomBuilder(store)


@pytest.fixture
def house(store: Store, room: RoomBuilder, tmp_path: Path) -> House:
    furnish(room)
    return house_of(store, room, tmp_path)


@pytest.fixture
async def client(house: House) -> AsyncIterator[httpx.AsyncClient]:
    transport = httpx.ASGITransport(house.app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://wardian.test") as opened:
        yield opened


@pytest.fixture
def broken(house: House) -> House:
    """A house whose clock fails: the fault of a part."""

    def fails() -> datetime:
        raise RuntimeError("the clock has stopped")

    return replace(house, parts=replace(house.parts, now=fails))


@pytest.fixture(scope="session")
def kept_password() -> str:
    return kept(PASSWORD, b"salt of this test")


@pytest.fixture(scope="module")
def peopled(tmp_path_factory: pytest.TempPathFactory, kept_password: str) -> Iterator[House]:
    """A furnished room with a viewer, a keeper and an owner; tests only ask it."""
    folder = tmp_path_factory.mktemp("peopled")
    store = sqlite_store(folder / "wardian.db")
    room = RoomBuilder(store)
    furnish(room)
    house = house_of(store, room, folder)
    settle(store, kept_password)
    house.parts.wake.close()  # live streams end at once
    yield house
    store.close()


@pytest.fixture
def home(house: House, kept_password: str) -> House:
    """A furnished room with people, for tests that change it."""
    settle(house.store, kept_password)
    return house
