"""What the screens' figures are taken from: a room on a real web server, bare servers, and pages in a real browser."""

import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import uvicorn
from fastapi import FastAPI, Request, Response
from fastapi.responses import HTMLResponse
from playwright.sync_api import Browser, Page, sync_playwright
from starlette.middleware.gzip import GZipMiddleware

from dashboard.app import create_app
from dashboard.assets import Assets, static_router
from service.ingest.embedded_broker import free_port
from service.model import Flag, to_ms
from service.store.engine import Store, open_store
from service.store.facts import load_facts
from service.store.readings import add_readings
from tests.api.api_room import House, RoomBuilder, house_of
from tests.bench.figures import BenchError
from tests.bench.rooms import database_of

_FLAGS = ("--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update")


@dataclass
class ServedRoom:
    """A room on the real web server, in this process: nothing comes but what `renew` brings.

    Attributes
    ----------
    url : str
        Of its pages, without a slash at the end.
    store : Store
    house : House
    ahead : timedelta
        How far its clock is ahead of this computer's.
    """

    url: str
    store: Store
    house: House
    ahead: timedelta = field(default_factory=timedelta)
    _renewed: int = field(default=0, init=False)

    def now(self) -> datetime:
        """Return what the room's clock says."""
        return datetime.now(UTC) + self.ahead

    def renew(self) -> None:
        """Let each channel have a new reading, a little off its last, and the live stream hear of it."""
        at_ms = to_ms(self.now())
        self._renewed += 1
        with self.store.write() as session:
            channels = load_facts(session).channels
            humid = {n for n, channel in channels.items() if channel.quantity == "relative_humidity"}
            said = {n: (70.0 if n in humid else 25.0) + (n + self._renewed) % 5 / 5 for n in channels}
            add_readings(session, [(n, at_ms, value, int(Flag.DEVICE_CLOCK)) for n, value in said.items()])
        self.house.parts.wake.notify()


@contextmanager
def served(folder: Path, ahead: timedelta = timedelta()) -> Iterator[ServedRoom]:
    """Serve the room whose store stands in a folder; its clock is ahead of this computer's."""
    store = open_store(database_of(folder))
    house = house_of(store, RoomBuilder(store), folder)
    room = ServedRoom("", store, house, ahead)
    object.__setattr__(house.parts, "now", room.now)
    with run(create_app(house.parts)) as url:
        room.url = url
        yield room
        house.parts.wake.close()
    store.close()


@contextmanager
def run(app: FastAPI) -> Iterator[str]:
    """Run an application on a port of its own, and give its address."""
    port = free_port()
    config = uvicorn.Config(app, host="127.0.0.1", port=port, log_level="error", timeout_graceful_shutdown=1)
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join(10)


def bare_server(pages: dict[str, tuple[str, str]]) -> FastAPI:
    """Return a server that answers texts from memory, with our static files and our compression.

    Parameters
    ----------
    pages : mapping of path to (text, media type)
    """
    app = FastAPI(openapi_url=None)
    app.include_router(static_router(Assets()))
    app.add_middleware(GZipMiddleware, minimum_size=1_000, compresslevel=3)

    @app.get("/{path:path}")
    def _page(path: str, request: Request) -> Response:
        body, media_type = pages.get(f"/{path}", ("", "text/plain"))
        return HTMLResponse(body, media_type=media_type, status_code=200 if f"/{path}" in pages else 404)

    return app


@contextmanager
def chromium() -> Iterator[Browser]:
    """Start the browser.

    Raises
    ------
    BenchError
        When it is not installed.
    """
    path = shutil.which("chromium")
    if path is None:
        raise BenchError("chromium is missing; install the Debian package chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(_FLAGS))
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def opened(browser: Browser) -> Iterator[Page]:
    """Give an empty page as large as a wall screen."""
    context = browser.new_context(viewport={"width": 1920, "height": 1080}, reduced_motion="reduce")
    try:
        yield context.new_page()
    finally:
        context.close()
