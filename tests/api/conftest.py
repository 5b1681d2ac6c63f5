from collections.abc import AsyncIterator, Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import httpx
import pytest
from api_room import NOW, House, RoomBuilder, furnish
from sensors.payloads.measurement import Measurement

from service.api.app import create_api
from service.api.parts import ComponentState, Parts, PostedReading, Taken, Wake
from service.ingest.intake import Intake
from service.model import to_ms
from service.settings import Settings
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
    intake, clock = Intake(store, 100), [NOW]
    states = {"broker": ComponentState(True, "connected"), "watch": ComponentState(True, "watching")}

    def take(posted: Sequence[PostedReading]) -> Taken:
        rows = [(one.probe, Measurement(one.quantity, one.value, one.at_ms)) for one in posted]
        stored, reasons = intake.take_measured(rows, to_ms(clock[0]))
        refused = tuple((index, reason) for index, reason in enumerate(reasons) if reason is not None)
        return Taken(stored, len(rows) - stored - len(refused), refused)

    parts = Parts(
        store=store,
        settings=Settings(data=tmp_path),
        now=lambda: clock[0],
        component_states=lambda: states,
        take_readings=take,
        wake=Wake(),
    )
    return House(store, room, parts, states, clock)


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
