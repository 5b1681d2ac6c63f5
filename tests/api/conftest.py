from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import httpx
import pytest
from api_room import House, RoomBuilder, furnish, house_of

from service.store.engine import Store, open_store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(f"sqlite:///{tmp_path / 'wardian.db'}")
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
