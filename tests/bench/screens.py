"""The pages in a real browser: first paint, charts, zooms over a year, live updates, days on a wall."""

import gzip
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import httpx
from playwright.sync_api import Browser

from dashboard.assets import Assets
from sensors.simulator import SimulatedRoom
from service.demo import store_history
from service.model import to_ms
from tests.bench.figures import BenchError, Figure, Pairs, Subject, Target, Tell, in_turn
from tests.bench.rooms import breeding_room, furnished, scratch
from tests.bench.screens_live import update_figures
from tests.bench.screens_serving import ServedRoom, bare_server, chromium, opened, run, served
from tests.bench.screens_wall import heap_figure
from tests.bench.screens_zoom import zoom_figures

_ROOM, _MANY = 60, 200
_HISTORY_MS = 30 * 3_600_000
_MOST_KIB = 60.0
ABOUT = f"""\
Real Chromium on the real web server, over loopback. *First paint*: First Contentful Paint of the Room page of {_ROOM}
enclosures with 30 hours of readings, against a server that answers the same HTML, byte for byte, from memory, with
the same style sheets and scripts. *Chart*: from navigation until the Enclosure page's chart is drawn, against a page
that fetches the same figure and draws it with the same plotly.js and nothing else. *Zoom and pan*: the chart shows a
year of four channels at 60 s; a mouse marks a fifth of it, or pushes it aside by a fifth, and from letting go until the
finer figure that the service makes of the stored readings is on the screen; meanwhile what was drawn before is shown
where it belongs. The bare page answers the same gesture with `Plotly.react` of the same figure, which lies ready in a
server's memory: it reads nothing. *A frame* is the usual one while the mouse moves. *JavaScript*: all our modules,
compressed, against what is allowed. *Live update*: {_MANY} tiles that all have new readings; the processor's time of
all script on the page's thread in the second of the update, by the browser's own trace, and of its longest piece,
against one `innerHTML` of the same answer. *Heap*: the JavaScript heap of the wall's page after 10,000 updates of
{_ROOM} tiles, collected, against the same after the first thousand; what the service would send is handed to the page
in its place, each second of the room's time as soon as the one before is in the page, and nothing is painted."""


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return the figures."""
    with chromium() as browser:
        with scratch() as folder, _room(folder / "room", _ROOM, tell) as room:
            figures = [_first_paint(browser, room.url, pairs, tell), _chart(browser, room.url, pairs, tell), _weight()]
            figures.append(heap_figure(browser, room, _ROOM, tell))
        with scratch() as folder, _room(folder / "many", _MANY, tell) as room:
            figures += update_figures(browser, room, _MANY, pairs, tell)
        with scratch() as folder:
            figures += zoom_figures(browser, folder / "year", pairs, tell)
    return figures


SUBJECT = Subject("screens", ABOUT, measure, pairs=9)


@contextmanager
def _room(folder: Path, enclosures: int, tell: Tell) -> Iterator[ServedRoom]:
    """Serve a room whose readings end now."""
    (folder / "data").mkdir(parents=True)
    scene = breeding_room(enclosures, 120.0, clocks=True)
    store = furnished(folder, scene)
    tell(f"simulating 30 hours of {enclosures} enclosures")
    now_ms = to_ms(datetime.now(UTC))
    for _ in store_history(store, SimulatedRoom(scene, seed=5), now_ms - _HISTORY_MS, now_ms):
        pass
    store.close()
    with served(folder) as room:
        yield room


def _first_paint(browser: Browser, url: str, pairs: int, tell: Tell) -> Figure:
    page = httpx.get(f"{url}/").text
    with run(bare_server({"/": (page, "text/html")})) as bare:
        measured = in_turn(
            lambda: _paint(browser, f"{url}/"), lambda: _paint(browser, f"{bare}/"), pairs,
            lambda said: tell(f"first paint: {said}"),
        )  # fmt: skip
    target = Target("median ratio under 1.3", lambda pairs: pairs.ratio < 1.3)
    return Figure(f"First paint of the Room page of {_ROOM}", "ms", measured, target)


def _paint(browser: Browser, url: str) -> float:
    with opened(browser) as page:
        page.goto(url, wait_until="load")
        entries = "performance.getEntriesByName('first-contentful-paint').map((one) => one.startTime)"
        for _ in range(100):
            page.wait_for_timeout(50)
            if painted := page.evaluate(entries):
                return float(painted[0])
    raise BenchError(f"{url} was not painted")


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
    with run(bare_server(bare_pages)) as bare:
        measured = in_turn(
            lambda: _drawn(browser, f"{url}/enclosures/{key}"), lambda: _drawn(browser, f"{bare}/"), pairs,
            lambda said: tell(f"chart: {said}"),
        )  # fmt: skip
    target = Target("median ratio under 1.5", lambda pairs: pairs.ratio < 1.5)
    return Figure("Enclosure page until its chart is drawn", "ms", measured, target)


def _drawn(browser: Browser, url: str) -> float:
    with opened(browser) as page:
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
