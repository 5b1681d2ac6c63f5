"""The pages in a real browser: first paint, the chart, live updates, weeks on a wall."""

import gzip
import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from statistics import median

import httpx
import uvicorn
from fastapi import FastAPI, Request, Response
from fastapi.responses import HTMLResponse
from playwright.sync_api import Browser, Page, sync_playwright
from starlette.middleware.gzip import GZipMiddleware

from dashboard.app import create_app
from dashboard.assets import Assets, static_router
from sensors.simulator import SimulatedRoom
from service.demo import store_history
from service.ingest.embedded_broker import free_port
from service.model import to_ms
from service.store.engine import open_store
from service.store.facts import load_facts
from tests.api.api_room import RoomBuilder, house_of
from tests.bench.figures import BenchError, Figure, Pairs, Subject, Target, Tell, in_turn
from tests.bench.rooms import breeding_room, database_of, furnished, scratch

_ROOM, _MANY = 60, 200
_HISTORY_MS = 30 * 3_600_000
_UPDATES = 10_000
_MOST_UPDATE_MS, _MOST_KIB = 8.0, 60.0
ABOUT = f"""\
Real Chromium on the real web server, over loopback. *First paint*: First Contentful Paint of the Room page of {_ROOM}
enclosures with 30 hours of readings, against a server that answers the same HTML, byte for byte, from memory, with
the same style sheets and scripts. *Chart*: from navigation until the Enclosure page's chart is drawn, against a page
that fetches the same figure and draws it with the same plotly.js and nothing else. *JavaScript*: all our modules,
compressed, against what is allowed. *Live update*: {_MANY} tiles that all changed are put in place; the longest time
that the page is held up meanwhile, against `innerHTML` of the same markup, which is one piece. *Heap*: the JavaScript
heap after {_UPDATES:,} updates of {_ROOM} tiles on a wall, collected, against the same after the first thousand."""


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return the figures."""
    chromium = shutil.which("chromium")
    if chromium is None:
        raise BenchError("chromium is missing; install the Debian package chromium")
    with sync_playwright() as playwright:
        flags = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
        browser = playwright.chromium.launch(executable_path=chromium, args=flags)
        with scratch() as folder, _serving(folder / "room", _ROOM, tell) as url:
            figures = [_first_paint(browser, url, pairs, tell), _chart(browser, url, pairs, tell), _weight()]
            figures.append(_heap(browser, url, tell))
        with scratch() as folder, _serving(folder / "many", _MANY, tell) as url:
            figures.append(_update(browser, url, pairs, tell))
        browser.close()
    return figures


SUBJECT = Subject("screens", ABOUT, measure, pairs=9)


@contextmanager
def _serving(folder: Path, enclosures: int, tell: Tell) -> Iterator[str]:
    """Serve a room whose readings end now; nothing new comes."""
    (folder / "data").mkdir(parents=True)
    scene = breeding_room(enclosures, 120.0, clocks=True)
    furnished(folder, scene).close()
    store = open_store(database_of(folder))
    tell(f"simulating 30 hours of {enclosures} enclosures")
    now_ms = to_ms(datetime.now(UTC))
    for _ in store_history(store, SimulatedRoom(scene, seed=5), now_ms - _HISTORY_MS, now_ms):
        pass
    house = house_of(store, RoomBuilder(store), folder)
    object.__setattr__(house.parts, "now", lambda: datetime.now(UTC))
    with store.read() as session:
        load_facts(session)
    with _run(create_app(house.parts)) as url:
        yield url
        house.parts.wake.close()
    store.close()


@contextmanager
def _run(app: FastAPI) -> Iterator[str]:
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


def _bare(pages: dict[str, tuple[str, str]]) -> FastAPI:
    """Return a server that answers texts from memory, with our static files and our compression."""
    app = FastAPI(openapi_url=None)
    app.include_router(static_router(Assets()))
    app.add_middleware(GZipMiddleware, minimum_size=1_000, compresslevel=3)

    @app.get("/{path:path}")
    def _page(path: str, request: Request) -> Response:
        body, media_type = pages.get(f"/{path}", ("", "text/plain"))
        return HTMLResponse(body, media_type=media_type, status_code=200 if f"/{path}" in pages else 404)

    return app


def _first_paint(browser: Browser, url: str, pairs: int, tell: Tell) -> Figure:
    page = httpx.get(f"{url}/").text
    with _run(_bare({"/": (page, "text/html")})) as bare:
        measured = in_turn(
            lambda: _paint(browser, f"{url}/"), lambda: _paint(browser, f"{bare}/"), pairs,
            lambda said: tell(f"first paint: {said}"),
        )  # fmt: skip
    target = Target("median ratio under 1.3", lambda pairs: pairs.ratio < 1.3)
    return Figure(f"First paint of the Room page of {_ROOM}", "ms", measured, target)


def _paint(browser: Browser, url: str) -> float:
    with _opened(browser) as page:
        page.goto(url, wait_until="load")
        page.wait_for_timeout(50)
        entries = "performance.getEntriesByName('first-contentful-paint').map((one) => one.startTime)"
        painted = page.evaluate(entries)
        if not painted:
            raise BenchError(f"{url} was not painted")
        return float(painted[0])


def _chart(browser: Browser, url: str, pairs: int, tell: Tell) -> Figure:
    key = httpx.get(f"{url}/api/v1/enclosures?limit=1").json()["enclosures"][0]["id"]
    figure = httpx.get(f"{url}/enclosures/{key}/figure?width=1248").text
    script = (
        "(async () => { const figure = await (await fetch('/figure.json')).json();"
        " Plotly.newPlot('chart', figure.data, figure.layout); })()"
    )
    html = (
        "<!doctype html><meta charset=utf-8><title>bare</title><div id=chart></div>"
        f'<script src="{Assets().plotly_url}"></script><script>{script}</script>'
    )
    bare_pages = {"/": (html, "text/html"), "/figure.json": (figure, "application/json")}
    with _run(_bare(bare_pages)) as bare:
        measured = in_turn(
            lambda: _drawn(browser, f"{url}/enclosures/{key}"), lambda: _drawn(browser, f"{bare}/"), pairs,
            lambda said: tell(f"chart: {said}"),
        )  # fmt: skip
    target = Target("median ratio under 1.5", lambda pairs: pairs.ratio < 1.5)
    return Figure("Enclosure page until its chart is drawn", "ms", measured, target)


def _drawn(browser: Browser, url: str) -> float:
    with _opened(browser) as page:
        began = time.perf_counter()
        page.goto(url, wait_until="commit")
        page.locator("#chart .main-svg .trace").first.wait_for(state="attached")
        return (time.perf_counter() - began) * 1000


def _weight() -> Figure:
    folder = Path(__file__).parents[2] / "dashboard" / "static" / "js"
    size = sum(len(gzip.compress(file.read_bytes(), 6, mtime=0)) for file in folder.glob("*.js")) / 1024
    target = Target(f"under {_MOST_KIB:.0f} KiB", lambda pairs: pairs.ours[0] < _MOST_KIB)
    note = f"{len(list(folder.glob('*.js')))} modules; a page takes those that it needs"
    return Figure("Our JavaScript, compressed", "KiB", Pairs((size,), (_MOST_KIB,)), target, note, digits=1)


_PLACE = """async ([address, one, other, times]) => {
  const { placeInSlices } = await import(address);
  const took = [];
  for (let turn = 0; turn < times; turn += 1) took.push(await placeInSlices(turn % 2 ? one : other));
  return took;
}"""
_BARE = """([one, other, times]) => {
  const took = [];
  const wall = document.getElementById("wall");
  for (let turn = 0; turn < times; turn += 1) {
    const began = performance.now();
    wall.innerHTML = turn % 2 ? one : other;
    took.push(performance.now() - began);
  }
  return took;
}"""


def _fragments(url: str) -> tuple[str, str]:
    """Return all tiles as they are, and as if every figure had changed."""
    first = httpx.get(f"{url}/fragments/tiles").text
    return first, first.replace('<span class="figure">', '<span class="figure">1')


def _update(browser: Browser, url: str, pairs: int, tell: Tell) -> Figure:
    first, second = _fragments(url)
    address = httpx.URL(Assets().url("js/refresh.js")).path
    with _opened(browser) as page, _opened(browser) as bare:
        for one in (page, bare):
            one.goto(f"{url}/", wait_until="load")
        measured = in_turn(
            lambda: median(page.evaluate(_PLACE, [address, first, second, 20])),
            lambda: median(bare.evaluate(_BARE, [first, second, 20])),
            pairs, lambda said: tell(f"live update: {said}"),
        )  # fmt: skip
    target = Target(f"median under {_MOST_UPDATE_MS:.0f} ms", lambda p: median(p.ours) < _MOST_UPDATE_MS)
    return Figure(f"Live update of {_MANY} tiles at once", "ms", measured, target, digits=1)


def _heap(browser: Browser, url: str, tell: Tell) -> Figure:
    first, second = _fragments(url)
    address = httpx.URL(Assets().url("js/refresh.js")).path
    with _opened(browser) as page:
        page.goto(f"{url}/", wait_until="load")

        def after(updates: int) -> float:
            page.evaluate(_PLACE, [address, first, second, updates])
            return _heap_kib(page)

        early = after(1_000)
        tell(f"heap: {_UPDATES:,} updates")
        late = after(_UPDATES - 1_000)
    target = Target("ratio under 1.1", lambda pairs: pairs.ratio < 1.1)
    return Figure(f"Heap after {_UPDATES:,} updates of {_ROOM} tiles", "KiB", Pairs((late,), (early,)), target)


def _heap_kib(page: Page) -> float:
    session = page.context.new_cdp_session(page)
    session.send("HeapProfiler.enable")
    for _ in range(3):
        session.send("HeapProfiler.collectGarbage")
    session.send("Performance.enable")
    metrics = session.send("Performance.getMetrics")["metrics"]
    session.detach()
    return next(one["value"] for one in metrics if one["name"] == "JSHeapUsedSize") / 1024


@contextmanager
def _opened(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 1920, "height": 1080}, reduced_motion="reduce")
    try:
        yield context.new_page()
    finally:
        context.close()
