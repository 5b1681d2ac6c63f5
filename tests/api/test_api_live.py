import asyncio
import json
import random
import threading
import time
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, field
from typing import Any

import httpx
import pytest
import uvicorn
from api_room import MINUTE, NOW, House

from service.api.hub import LONGEST_QUEUE, Hub, Position
from service.api.live import live_position
from service.api.parts import ComponentState, Wake

SPOT = "a1-spot/surface_temperature"


@dataclass
class Event:
    """One server-sent event."""

    name: str = ""
    data: dict[str, Any] = field(default_factory=dict)
    id: str | None = None


def event_of(block: str) -> Event | None:
    """Read an event; None for a block without data, such as the retry hint."""
    event = Event()
    for line in block.splitlines():
        name, _, value = line.partition(": ")
        if name == "event":
            event.name = value
        elif name == "data":
            event.data = json.loads(value)
        elif name == "id":
            event.id = value
    return event if event.name else None


class Listener:
    """A client of the stream that remembers where it is, as a browser does."""

    def __init__(self, chunks: AsyncIterator[str]) -> None:
        self._chunks, self._rest = chunks, ""
        self.last_id: str | None = None

    async def next(self, *names: str, seconds: float = 10) -> Event:
        """Return the next event of these names."""
        return await asyncio.wait_for(self._next(names), seconds)

    async def _next(self, names: tuple[str, ...]) -> Event:
        while True:
            while "\n\n" not in self._rest:
                self._rest += await anext(self._chunks)
            block, _, self._rest = self._rest.partition("\n\n")
            event = event_of(block)
            if event is not None:
                self.last_id = event.id or self.last_id
                if event.name in names:
                    return event


@pytest.fixture
def served(house: House) -> Iterator[str]:
    """The interface on loopback, in a real web server."""
    server = uvicorn.Server(uvicorn.Config(house.app, port=0, log_level="warning", timeout_graceful_shutdown=5))
    thread = threading.Thread(target=server.run)
    thread.start()
    while not server.started:
        assert thread.is_alive()
        time.sleep(0.01)
    port = server.servers[0].sockets[0].getsockname()[1]
    yield f"http://127.0.0.1:{port}/api/v1/live"
    house.parts.wake.close()
    server.should_exit = True
    thread.join(10)
    assert not thread.is_alive(), "a stream kept the server from stopping"


@pytest.fixture
async def web() -> AsyncIterator[httpx.AsyncClient]:
    async with httpx.AsyncClient(timeout=10) as opened:
        yield opened


def raise_and_wake(house: House, **fields: Any) -> int:
    raised = house.room.alarm("rack-a-1", "basking-overheat", **fields)
    house.parts.wake.notify()
    return raised


async def test_a_new_client_hears_first_that_all_is_well_and_then_the_newest_of_each_placed_channel(
    house: House, served: str, web: httpx.AsyncClient
) -> None:
    house.room.readings(house.room.channel("loose", "air_temperature"), [(NOW, 20.0)])
    async with web.stream("GET", served) as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        assert answer.headers["cache-control"] == "no-store"
        listener = Listener(answer.aiter_text())
        pulse = await listener.next("pulse", "readings")
        assert (pulse.name, pulse.data) == ("pulse", {"at": "2026-03-10T14:00:00.000Z", "ok": True})
        readings = (await listener.next("readings")).data["readings"]
    assert {reading["channel"] for reading in readings} == {
        "a1-spot/surface_temperature", "a1-air/air_temperature", "a1-rh/relative_humidity",
        "a2-spot/surface_temperature",
    }  # fmt: skip
    spot = next(reading for reading in readings if reading["channel"] == SPOT)
    assert spot == {
        "enclosure": "rack-a-1", "zone": "basking", "quantity": "surface_temperature", "channel": SPOT,
        "at": "2026-03-10T14:00:00.000Z", "value": 33.5, "unit": "Cel",
    }  # fmt: skip


@pytest.mark.parametrize("hinted", [True, False])
async def test_what_is_committed_is_heard_hinted_or_not(
    hinted: bool, house: House, served: str, web: httpx.AsyncClient
) -> None:
    async with web.stream("GET", served) as answer:
        listener = Listener(answer.aiter_text())
        await listener.next("readings")
        house.room.readings(house.room.channels[SPOT], [(NOW + MINUTE, 41.2)])
        raised = house.room.alarm("rack-a-1", "basking-overheat", value=41.2, limit=40.0, unit="Cel")
        if hinted:
            house.parts.wake.notify()
        readings = await listener.next("readings")
        alarm = await listener.next("alarm")
    assert [(r["channel"], r["value"]) for r in readings.data["readings"]] == [(SPOT, 41.2)]
    assert (alarm.data["id"], alarm.data["enclosure"], alarm.data["limit"]) == (raised, "rack-a-1", 40.0)
    assert alarm.data["transition"]["after"] == "unacknowledged"


async def test_each_transition_is_heard_once_in_order_however_often_the_connection_breaks(
    house: House, served: str, web: httpx.AsyncClient
) -> None:
    chance = random.Random(20260310)  # noqa: S311 - the same breaks in each run
    raised = house.room.alarm("rack-a-1", "basking-overheat")
    with house.store.read() as session:
        last: str | None = live_position(session)
    heard: list[int] = []
    made: list[int] = []
    states = ["acknowledged", "unacknowledged"]
    while len(heard) < 60:
        # Some happen while nobody listens, some while the stream is open.
        made += [house.room.move_alarm(raised, states[len(made) % 2]) for _ in range(chance.randrange(4))]
        async with web.stream("GET", served, headers={"Last-Event-ID": last} if last else {}) as answer:
            listener = Listener(answer.aiter_text())
            await listener.next("pulse")
            made += [house.room.move_alarm(raised, states[len(made) % 2]) for _ in range(chance.randrange(1, 4))]
            house.parts.wake.notify()
            count = chance.randint(0, len(made) - len(heard))
            heard += [(await listener.next("alarm")).data["transition"]["id"] for _ in range(count)]
            last = listener.last_id
    assert heard == made[: len(heard)]


async def test_a_rest_that_begins_moves_and_ends_is_heard_without_any_alarm(
    house: House, served: str, web: httpx.AsyncClient
) -> None:
    rest = served.replace("live", "enclosures/rack-a-1")
    async with web.stream("GET", served) as answer:
        listener = Listener(answer.aiter_text())
        # The hub has looked once, so that what comes now is news.
        house.room.alarm("rack-a-2", "too-dry")
        await listener.next("alarm")
        for verb, sent, expected in (
            ("out-of-service", {"minutes": 60, "note": "cleaning"}, ("2026-03-10T15:00:00.000Z", False)),
            ("out-of-service", {"minutes": 90}, ("2026-03-10T15:30:00.000Z", False)),
            ("return", {}, ("2026-03-10T15:30:00.000Z", True)),
        ):
            assert (await web.post(f"{rest}/{verb}", json=sent)).is_success
            told = await listener.next("hold")
            assert (told.data["enclosure"], told.data["kind"], told.id) == ("rack-a-1", "out of service", None)
            assert (told.data["until"], told.data["ended"]) == expected


async def test_a_resumed_client_hears_only_of_channels_that_were_written_since(
    house: House, served: str, web: httpx.AsyncClient
) -> None:
    with house.store.read() as session:
        before = live_position(session)
    house.room.readings(house.room.channels[SPOT], [(NOW + MINUTE, 34.0)])
    async with web.stream("GET", served, params={"after": before}) as answer:
        readings = await Listener(answer.aiter_text()).next("readings")
    assert [reading["channel"] for reading in readings.data["readings"]] == [SPOT]


@pytest.mark.parametrize("strange", ["", "elsewhere", "1-", "-1-5", "9" * 40, "999999-999999"])
async def test_an_identifier_of_another_service_begins_anew(strange: str, served: str, web: httpx.AsyncClient) -> None:
    async with web.stream("GET", served, headers={"Last-Event-ID": strange}) as answer:
        readings = await Listener(answer.aiter_text()).next("readings")
    assert len(readings.data["readings"]) == 4


async def test_a_part_that_does_not_work_is_heard(house: House, served: str, web: httpx.AsyncClient) -> None:
    house.states["broker"] = ComponentState(False, "the broker does not answer")
    async with web.stream("GET", served) as answer:
        listener = Listener(answer.aiter_text())
        assert (await listener.next("pulse")).data["ok"] is False
        house.states["broker"] = ComponentState(True, "connected")
        assert (await listener.next("pulse")).data["ok"] is True


async def test_streams_end_cleanly_when_the_service_stops(house: House, served: str, web: httpx.AsyncClient) -> None:
    async with web.stream("GET", served) as answer:
        chunks = answer.aiter_text()
        listener = Listener(chunks)
        await listener.next("readings")
        house.parts.wake.close()
        with pytest.raises(StopAsyncIteration):
            await listener.next("alarm")


async def texts(stream: AsyncIterator[bytes]) -> AsyncIterator[str]:
    async for chunk in stream:
        yield chunk.decode()


async def joined(hub: Hub, last: Position | None) -> Listener:
    """Return a listener that has joined."""
    listener = Listener(texts(await hub.open(last)))
    await listener.next("pulse")
    return listener


async def test_a_client_that_does_not_keep_up_is_cut_off_and_no_other_notices(house: House) -> None:
    hub = Hub(house.parts)
    raised = house.room.alarm("rack-a-1", "basking-overheat")
    slow, quick = await joined(hub, Position(0, 1)), await joined(hub, Position(0, 1))
    await slow.next("readings")
    heard = 0
    for n in range(LONGEST_QUEUE + 10):
        house.room.move_alarm(raised, "acknowledged" if n % 2 else "unacknowledged")
        if n % 20 == 0:
            house.parts.wake.notify()
            heard += 1
            await quick.next("alarm")
    while heard < LONGEST_QUEUE + 10:
        await quick.next("alarm")
        heard += 1
    assert hub.clients == 1
    with pytest.raises(StopAsyncIteration):
        await slow.next("alarm")
    # It comes back, and has missed nothing.
    assert slow.last_id is not None
    resumed = await joined(hub, Position.parse(slow.last_id))
    first = Position.parse(slow.last_id).transition + 1
    for expected in range(first, first + LONGEST_QUEUE + 10):
        assert (await resumed.next("alarm")).data["transition"]["id"] == expected
    await hub.close()


async def test_a_thousand_clients_hear_of_an_alarm(house: House) -> None:
    hub = Hub(house.parts)
    with house.store.read() as session:
        here = Position.parse(live_position(session))
    listeners = [await joined(hub, here) for _ in range(1000)]
    assert hub.clients == 1000
    raised = raise_and_wake(house)
    alarms = await asyncio.gather(*(listener.next("alarm") for listener in listeners))
    assert {alarm.data["id"] for alarm in alarms} == {raised}
    await hub.close()
    ends = await asyncio.gather(*(listener.next("alarm") for listener in listeners), return_exceptions=True)
    assert all(isinstance(end, StopAsyncIteration | RuntimeError) for end in ends)
    assert hub.clients == 0


async def test_the_hub_rests_when_nobody_listens_and_looks_again_for_the_next(house: House) -> None:
    hub = Hub(house.parts)
    listener = await joined(hub, None)
    await hub.close()
    raised = raise_and_wake(house)
    assert listener.last_id is not None
    again = await joined(hub, Position.parse(listener.last_id))
    assert (await again.next("alarm")).data["id"] == raised
    await hub.close()


async def test_a_hint_before_the_wait_is_not_missed() -> None:
    wake = Wake()
    seen = wake.count
    wake.notify()
    assert await asyncio.wait_for(wake.wait(60, since=seen), 1) == seen + 1


async def test_a_hint_from_another_thread_ends_the_wait_of_everyone() -> None:
    wake = Wake()
    waiting = [asyncio.create_task(wake.wait(60)) for _ in range(3)]
    await asyncio.sleep(0.01)
    thread = threading.Thread(target=wake.notify)
    thread.start()
    assert await asyncio.wait_for(asyncio.gather(*waiting), 5) == [1, 1, 1]
    thread.join()


async def test_a_wait_without_a_hint_ends_by_itself_and_a_closed_one_at_once() -> None:
    wake = Wake()
    assert await wake.wait(0.01) == 0
    wake.close()
    assert await asyncio.wait_for(wake.wait(60), 1) == 1


def test_a_hint_to_a_loop_that_has_ended_does_no_harm() -> None:
    wake = Wake()

    async def leaves() -> None:
        task = asyncio.ensure_future(wake.wait(60))
        await asyncio.sleep(0)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(leaves())
    wake.notify()
    assert wake.count == 1
