import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime

import pytest
import uvicorn
from playwright.sync_api import Browser, ConsoleMessage, Page, sync_playwright

from dashboard.app import create_app
from service.ingest.embedded_broker import free_port
from tests.builders import wait_until
from tests.dashboard.glasshouse import Glasshouse, glasshouse


@dataclass
class Server:
    """The real web server on a port of its own, which can be stopped and started again."""

    house: Glasshouse
    port: int = field(default_factory=free_port)
    _server: uvicorn.Server | None = None
    _thread: threading.Thread | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        config = uvicorn.Config(create_app(self.house.parts), host="127.0.0.1", port=self.port, log_level="error")
        config.timeout_graceful_shutdown = 1
        server = self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=server.run, daemon=True)
        self._thread.start()
        wait_until(lambda: server.started)

    def stop(self) -> None:
        if self._server is not None and self._thread is not None:
            self._server.should_exit = True
            self._thread.join(10)
            self._server = None


@dataclass
class Screen:
    """A page in a real browser, and what it complained of."""

    page: Page
    complaints: list[str]


# Of a module, not of the session: its event loop must have ended before other tests run their own.
@pytest.fixture(scope="module")
def chromium(program: Callable[[str], str]) -> Iterator[Browser]:
    path = program("chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=path,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"],
        )
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A room whose clock is the real one: a live page is live only now."""
    house = glasshouse(tmp_path_factory.mktemp("live"), datetime.now(UTC))
    house.clock.clear()
    object.__setattr__(house.parts, "now", lambda: datetime.now(UTC))
    running = Server(house)
    running.start()
    yield running
    house.parts.wake.close()
    running.stop()
    house.store.close()


@pytest.fixture
def open_page(chromium: Browser, server: Server) -> Iterator[Callable[..., Screen]]:
    contexts = []

    def opened(path: str, width: int = 1280, height: int = 800, theme: str = "light") -> Screen:
        context = chromium.new_context(
            viewport={"width": width, "height": height}, color_scheme=theme, reduced_motion="reduce"
        )
        contexts.append(context)
        page, complaints = context.new_page(), []

        def note(message: ConsoleMessage) -> None:
            if message.type in {"error", "warning"}:
                complaints.append(message.text)

        page.on("console", note)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(f"{server.url}{path}", wait_until="load")
        return Screen(page, complaints)

    yield opened
    for context in contexts:
        context.close()
