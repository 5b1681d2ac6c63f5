"""The Alarms page with 10,000 open alarms and 1,000,000 past ones, as the server makes it."""

import asyncio
import time
from datetime import timedelta
from pathlib import Path

import httpx
from fastapi import FastAPI
from fastapi.responses import HTMLResponse
from starlette.middleware.gzip import GZipMiddleware

from dashboard.app import create_app
from service.model import Alarm, table_of
from service.store.engine import Store, open_store
from tests.api.api_room import NOW, RoomBuilder, furnish, house_of
from tests.bench.figures import BenchError, Figure, Pairs, Subject, Target, Tell, in_turn
from tests.bench.rooms import scratch

_OPEN, _PAST = 10_000, 1_000_000
_AT_ONCE = 20_000
_MOST_MS = 150.0
_CONDITIONS = ("basking-overheat", "too-dry", "probe-silent", "night-cold", "misting-missed")
_OPEN_STATES = ("unacknowledged", "acknowledged", "returned, unacknowledged")
ABOUT = """\
The whole answer to `GET /alarms` with 10,000 open alarms of three states and 1,000,000 past ones, a minute apart, on
SQLite; asked through the application itself (ASGI, no network), with compression as a browser asks for it. *First*: the
first page, of the 40 that have waited longest and the 30 that were recorded last. *Deep*: the 200th page of the open
ones, and the past from its middle on. The *bare limit* is an application with one route and the same compression, which
answers the same bytes."""


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return the two figures."""
    with scratch() as folder:
        store = open_store(f"sqlite:///{folder / 'wardian.db'}")
        furnish(RoomBuilder(store))
        tell(f"storing {_PAST + _OPEN:,} alarms")
        _fill(store)
        figures = [
            _figure(store, folder, path, what, pairs, tell)
            for path, what in (("/alarms", "first"), (f"/alarms?page=200&before={_PAST // 2}", "deep"))
        ]
        store.close()
    return figures


SUBJECT = Subject("alarms", ABOUT, measure, pairs=25)


def _fill(store: Store) -> None:
    rows: list[dict[str, object]] = []
    with store.write() as session:
        for number in range(_PAST + _OPEN):
            rows.append(_row(number))
            if len(rows) == _AT_ONCE or number == _PAST + _OPEN - 1:
                session.execute(table_of(Alarm).insert(), rows)
                rows.clear()


def _row(number: int) -> dict[str, object]:
    is_past = number < _PAST
    at = NOW - timedelta(minutes=_PAST + _OPEN - number)
    state = "normal" if is_past else _OPEN_STATES[number % len(_OPEN_STATES)]
    stands = state in {"unacknowledged", "acknowledged"}
    seen = state in {"normal", "acknowledged"}
    return {
        "condition": _CONDITIONS[number % len(_CONDITIONS)], "place": f"place-{number % 500}",
        "enclosure_id": 1 + number % 3, "zone": "basking", "priority": "medium", "state": state, "raised_at": at,
        "began_at": at, "returned_at": None if stands else at + timedelta(minutes=30),
        "acknowledged_at": at + timedelta(minutes=10) if seen else None, "acknowledged_by": "Ines" if seen else None,
        "value": 41.0, "peak": 41.5, "limit": 40.0, "unit": "Cel",
    }  # fmt: skip


def _figure(store: Store, folder: Path, path: str, what: str, pairs: int, tell: Tell) -> Figure:
    ours = _Asked(create_app(house_of(store, RoomBuilder(store), folder).parts), path)
    ours.milliseconds()
    bare = _Asked(_bare(ours.body), "/")
    bare.milliseconds()
    if bare.body != ours.body:
        raise BenchError(f"the bare page has {len(bare.body)} bytes, ours {len(ours.body)}")
    found = in_turn(ours.milliseconds, bare.milliseconds, pairs, lambda said: tell(f"{what}: {said}"))
    target = Target(f"median under {_MOST_MS:.0f} ms", _is_met)
    note = f"{len(ours.body) / 1024:,.0f} KiB of HTML; the slowest {max(found.ours):.0f} ms"
    said = f"Alarms page, {_OPEN:,} open and {_PAST:,} past, {what}"
    return Figure(said, "ms", found, target, note, digits=1)


def _is_met(pairs: Pairs) -> bool:
    return sorted(pairs.ours)[len(pairs.ours) // 2] < _MOST_MS


class _Asked:
    """An application that is asked for one page."""

    def __init__(self, app: FastAPI, path: str) -> None:
        self._loop = asyncio.new_event_loop()
        self._client = httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://page", timeout=60)
        self._path = path
        self.body = b""

    def milliseconds(self) -> float:
        """Ask for the page and return how long its bytes took; unpacking them is not counted."""
        took, self.body = self._loop.run_until_complete(self._ask())
        return took

    async def _ask(self) -> tuple[float, bytes]:
        request = self._client.build_request("GET", self._path, headers={"Accept-Encoding": "gzip"})
        began = time.perf_counter()
        answer = await self._client.send(request, stream=True)
        took = time.perf_counter() - began
        answer.raise_for_status()
        return took * 1000, await answer.aread()


def _bare(body: bytes) -> FastAPI:
    app = FastAPI(openapi_url=None)
    app.add_middleware(GZipMiddleware, minimum_size=1_000, compresslevel=3)

    @app.get("/")
    def _page() -> HTMLResponse:
        return HTMLResponse(body)

    return app
