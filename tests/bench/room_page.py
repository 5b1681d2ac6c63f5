"""The Room page of 200 enclosures with their strips, as the server makes it."""

import asyncio
import re
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
from fastapi import FastAPI
from fastapi.responses import HTMLResponse
from jinja2 import DictLoader, Environment
from markupsafe import Markup
from starlette.middleware.gzip import GZipMiddleware

from dashboard.app import create_app
from sensors.simulator import Scene, SimulatedRoom
from service.demo import store_history
from service.model import Flag, to_ms
from service.store.engine import Store
from service.store.facts import load_facts
from service.store.readings import add_readings
from tests.api.api_room import RoomBuilder, house_of
from tests.bench.figures import BenchError, Figure, Pairs, Subject, Target, Tell, in_turn
from tests.bench.rooms import ENCLOSURES, breeding_room, furnished, scratch

_EVENING = datetime(2026, 3, 10, 18, 0, tzinfo=UTC)
"""Late in the day the strips are long: 18 hours of readings."""
_HISTORY = timedelta(hours=42)
_EVERY = timedelta(seconds=60)
_MOST_MS = 60.0
_TILE = re.compile(r"(?=<li\b)|(?=<article\b)")
ABOUT = """\
The whole answer to `GET /` for a room of 200 enclosures and 800 channels at 18:00, after 42 hours of simulated
readings at 60 s; asked through the application itself (ASGI, no network), with compression as a browser asks for it.
*Nothing new*: the page was shown before and no reading came since. *After readings*: each enclosure has one new
reading since the page was last shown, a minute before. The *bare limit* is an application with one route and the same
compression, which renders the same HTML, byte for byte, with Jinja2 from pieces of text that lie ready, one a tile."""


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return the two figures."""
    with scratch() as folder:
        scene = breeding_room(every=_EVERY.total_seconds())
        store = furnished(folder, scene)
        tell(f"simulating {_HISTORY.total_seconds() / 3600:.0f} hours of {ENCLOSURES} enclosures")
        now_ms = to_ms(_EVENING)
        for _ in store_history(store, SimulatedRoom(scene, seed=5), to_ms(_EVENING - _HISTORY), now_ms):
            pass
        figures = _figures(store, scene, folder, pairs, tell)
        store.close()
    return figures


SUBJECT = Subject("page", ABOUT, measure, pairs=25)


def _figures(store: Store, scene: Scene, folder: Path, pairs: int, tell: Tell) -> list[Figure]:
    page = _Page(store, scene, folder)
    first_ms = page.milliseconds()
    page.milliseconds()
    bare = _bare_page(page.body)
    if (told := bare.fetched()) != page.body:
        raise BenchError(f"the bare page has {len(told)} bytes, ours {len(page.body)}")
    size = f"{len(page.body) / 1024:,.0f} KiB of HTML"
    unchanged = in_turn(page.milliseconds, bare.milliseconds, pairs, lambda said: tell(f"nothing new: {said}"))
    renewed = in_turn(page.after_readings, bare.milliseconds, pairs, lambda said: tell(f"after readings: {said}"))
    what = f"Room page of {ENCLOSURES} enclosures"
    target = Target(f"median under {_MOST_MS:.0f} ms", _is_met)
    first = f"{size}; the first page after a start {first_ms:,.0f} ms"
    return [
        Figure(f"{what}, nothing new", "ms", unchanged, target, first, digits=1),
        Figure(f"{what}, after a reading from each", "ms", renewed, target, _slowest(renewed), digits=1),
    ]


def _is_met(pairs: Pairs) -> bool:
    return sorted(pairs.ours)[len(pairs.ours) // 2] < _MOST_MS


def _slowest(pairs: Pairs) -> str:
    return f"the slowest {max(pairs.ours):.0f} ms"


class _Asked:
    """An application that is asked for its page."""

    def __init__(self, app: FastAPI) -> None:
        self._loop = asyncio.new_event_loop()
        self._client = httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://page")
        self.body = b""

    def milliseconds(self) -> float:
        """Ask for the page and return how long its bytes took; unpacking them is not counted."""
        took, self.body = self._loop.run_until_complete(self._ask())
        return took

    def fetched(self) -> bytes:
        self.milliseconds()
        return self.body

    async def _ask(self) -> tuple[float, bytes]:
        began = time.perf_counter()
        request = self._client.build_request("GET", "/", headers={"Accept-Encoding": "gzip"})
        answer = await self._client.send(request, stream=True)
        took = time.perf_counter() - began
        answer.raise_for_status()
        return took * 1000, await answer.aread()


class _Page(_Asked):
    """Our own page, with a clock that is moved by hand."""

    def __init__(self, store: Store, scene: Scene, folder: Path) -> None:
        house = house_of(store, RoomBuilder(store), folder)
        self._store, self._clock = store, house.clock
        self._clock[0] = _EVENING
        super().__init__(create_app(house.parts))
        with store.read() as session:
            channels = load_facts(session).channel_by_key
        self._channels = [channels[f"{probe.id}/air_temperature"].id for probe in scene.probes[::2]]

    def after_readings(self) -> float:
        """Let a minute pass, with one reading in each enclosure."""
        self._clock[0] += _EVERY
        at_ms = to_ms(self._clock[0])
        with self._store.write() as session:
            add_readings(session, [(channel, at_ms, 24.5, int(Flag.DEVICE_CLOCK)) for channel in self._channels])
        return self.milliseconds()


def _bare_page(body: bytes) -> _Asked:
    """Return an application that renders the same bytes from ready pieces."""
    template = Environment(
        loader=DictLoader({"page": "{% for piece in pieces %}{{ piece }}{% endfor %}"}), autoescape=True
    )
    pieces = [Markup(piece) for piece in _TILE.split(body.decode())]  # noqa: S704 - our own page
    app = FastAPI(openapi_url=None)
    app.add_middleware(GZipMiddleware, minimum_size=1_000, compresslevel=3)

    @app.get("/")
    def _page() -> HTMLResponse:
        return HTMLResponse(template.get_template("page").render(pieces=pieces))

    return _Asked(app)
