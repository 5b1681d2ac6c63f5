"""A year on the Enclosure page, zoomed and pushed aside by a mouse, beside plotly.js with as many points alone."""

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from statistics import median

import httpx
import orjson
from playwright.sync_api import Browser, Page

from dashboard.assets import Assets
from service.model import from_ms
from service.store.blocks import DAY_MS
from service.store.facts import load_facts
from tests.bench.figures import BenchError, Figure, Pairs, Target, Tell
from tests.bench.rooms import breeding_room, furnished
from tests.bench.screens_serving import bare_server, opened, run, served
from tests.bench.sealed_rooms import START_MS, seal_into, years

_YEARS, _DAYS, _EVERY_MS = 2, 365, 60_000
_END_MS = START_MS + _YEARS * _DAYS * DAY_MS
_MOST_RATIO, _MOST_MS = 1.5, 1_000.0
_FRAMES = 40
_LONGEST_S = 60
_TIMED = """() => {
  Object.assign(window, { began: 0, took: null, frames: [], isDragged: false });
  addEventListener("mousedown", () => {
    window.took = null;
    window.frames = [];
    window.isDragged = true;
    const frame = (at) => {
      window.frames.push(at);
      if (window.isDragged) requestAnimationFrame(frame);
    };
    requestAnimationFrame(frame);
  }, true);
  addEventListener("mouseup", () => {
    window.began = performance.now();
    window.isDragged = false;
  }, true);
  // Two frames later it is on the screen.
  const next = (then) => requestAnimationFrame(() => requestAnimationFrame(then));
  window.drawn = () => next(() => (window.took = performance.now() - window.began));
}"""
_OURS = """() => {
  // The page says so when the finer figure has been drawn.
  new MutationObserver(() => window.drawn()).observe(document.getElementById("csv"), { attributeFilter: ["href"] });
}"""
_BARE = """
let answer = "year";
const chart = document.getElementById("chart");
const draw = async () => {
  const figure = await (await fetch(`/${answer}.json`, { cache: "no-store" })).json();
  await Plotly.react(chart, figure.data, figure.layout, { responsive: true, scrollZoom: false });
};
window.show = async (name) => { answer = "year"; await draw(); answer = name; };
draw().then(() => {
  let own = false;
  chart.on("plotly_relayout", async (change) => {
    if (own || !("xaxis.range[0]" in change || "xaxis.range" in change)) return;
    own = true;
    await draw();
    own = false;
    window.drawn();
  });
  document.body.dataset.ready = "yes";
});
"""


@dataclass
class Chart:
    """A chart in a browser, and how the year is shown on it again.

    Attributes
    ----------
    page : Page
    show_year : callable
        Told what is to come: ``zoom`` or ``pan``.
    zooms, pans, frames : list of float
        From letting go until the finer figure is on the screen, and the usual frame while it is pushed aside. [ms]
    """

    page: Page
    show_year: Callable[[str], object]
    zooms: list[float] = field(default_factory=list)
    pans: list[float] = field(default_factory=list)
    frames: list[float] = field(default_factory=list)

    def zoom(self) -> None:
        """Mark a fifth of the year."""
        self.show_year("zoom")
        self.zooms.append(self._drag("zoom"))

    def pan(self) -> None:
        """Push the year aside by a fifth."""
        self.show_year("pan")
        self.pans.append(self._drag("pan"))
        usual = "window.frames.slice(1).map((at, n) => at - window.frames[n]).sort((a, b) => a - b)"
        gaps = self.page.evaluate(usual)
        self.frames.append(gaps[len(gaps) // 2])

    def _drag(self, mode: str) -> float:
        box = self.page.locator("#chart .nsewdrag").first.bounding_box()
        if box is None:
            raise BenchError("the chart is not in sight")
        self.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        self.page.locator(f"#chart .modebar-btn[data-val={mode}]").click()
        self.page.mouse.move(box["x"] + 0.4 * box["width"], box["y"] + box["height"] / 2)
        self.page.mouse.down()
        self.page.mouse.move(box["x"] + 0.6 * box["width"], box["y"] + box["height"] / 2, steps=_FRAMES)
        self.page.mouse.up()
        return _drawn(self.page)


def _drawn(page: Page) -> float:
    """Wait until the figure is on the screen, and return what it took [ms]; asked seldom, so as not to disturb."""
    for _ in range(_LONGEST_S * 5):
        time.sleep(0.2)
        took = page.evaluate("window.took")
        if took is not None:
            return float(took)
    raise BenchError("the chart was not drawn again")


def zoom_figures(browser: Browser, folder: Path, pairs: int, tell: Tell) -> list[Figure]:
    """Return how long a zoom and a pan take until they are drawn finely, and the frame of a pan."""
    (folder / "data").mkdir(parents=True)
    store = furnished(folder, breeding_room(1))
    with store.read() as session:
        channels = sorted(load_facts(session).channels)
    tell(f"sealing {_YEARS} years of {len(channels)} channels")
    for number in channels:
        seal_into(store, number, years(_YEARS * _DAYS, _EVERY_MS, seed=number))
    store.close()
    with served(folder, from_ms(_END_MS) - datetime.now(UTC)) as room, opened(browser) as page:
        ours, asked = _our_chart(page, room.url)
        # Once each, for the answers that the bare page draws.
        ours.zoom()
        ours.pan()
        year, zoom, _, pan = (httpx.get(one).text for one in asked)
        answers = {"year": year, "zoom": zoom, "pan": pan}
        width = int(httpx.URL(asked[0]).params["width"])
        with run(bare_server(_bare_pages(answers, width))) as url, opened(browser) as other:
            bare = _bare_chart(other, url)
            for number in range(1 + pairs):
                tell(f"zoom and pan {number} of {pairs}")
                for chart in (ours, bare):
                    chart.zoom()
                    chart.pan()
    return _figures(ours, bare, answers)


def _our_chart(page: Page, url: str) -> tuple[Chart, list[str]]:
    """Open the Enclosure page, and note which figures it asks for from then on."""
    asked: list[str] = []
    key = httpx.get(f"{url}/api/v1/enclosures?limit=1").json()["enclosures"][0]["id"]
    page.goto(f"{url}/enclosures/{key}", wait_until="load")
    page.locator("#past[data-filled=yes]").wait_for(timeout=120_000)
    page.evaluate(_TIMED)
    page.evaluate(_OURS)
    page.on("request", lambda request: asked.append(request.url) if "/figure?" in request.url else None)

    def show_year(_next: str) -> None:
        page.evaluate("window.took = null")
        page.get_by_role("button", name="a year").click()
        _drawn(page)

    return Chart(page, show_year), asked


def _bare_pages(answers: dict[str, str], width: int) -> dict[str, tuple[str, str]]:
    """Return a page with plotly.js and nothing else, and the figures that it draws."""
    html = (
        "<!doctype html><meta charset=utf-8><title>bare</title>"
        f'<div id=chart style="width:{width}px"></div><a id=csv href="/"></a>'
        f'<script src="{Assets().plotly_url}"></script><script>{_BARE}</script>'
    )
    figures = {f"/{name}.json": (figure, "application/json") for name, figure in answers.items()}
    return {"/": (html, "text/html")} | figures


def _bare_chart(page: Page, url: str) -> Chart:
    page.goto(url, wait_until="load")
    page.locator("body[data-ready=yes]").wait_for(timeout=60_000)
    page.evaluate(_TIMED)
    return Chart(page, lambda following: page.evaluate("name => window.show(name)", following))


def _figures(ours: Chart, bare: Chart, answers: dict[str, str]) -> list[Figure]:
    # The bare page has nothing to read: ours is held against what a person waits for without noticing it.
    drawn = Target(f"median under {_MOST_MS:,.0f} ms", lambda pairs: median(pairs.ours) < _MOST_MS)
    smooth = Target(f"median ratio under {_MOST_RATIO}", lambda pairs: pairs.ratio < _MOST_RATIO)
    points = {name: _points(answers[name]) for name in ("year", "zoom", "pan")}
    fifth = f"{points['year']:,} points of the year become {points['zoom']:,}"
    aside = f"{points['pan']:,} points; what was drawn before moves at once"
    return [
        Figure("Zoom into a fifth of a year, drawn finely", "ms", _pairs(ours.zooms, bare.zooms), drawn, fifth),
        Figure("A year pushed aside by a fifth, drawn finely", "ms", _pairs(ours.pans, bare.pans), drawn, aside),
        Figure("A frame while a year is pushed aside", "ms", _pairs(ours.frames, bare.frames), smooth, digits=1),
    ]


def _pairs(ours: list[float], bare: list[float]) -> Pairs:
    """Return what was measured in turn: without the first of the bare page, and without what ours did before it."""
    return Pairs(tuple(ours[2:]), tuple(bare[1:]))


def _points(figure: str) -> int:
    """Return how many points the lines of a figure have."""
    lines = [trace for trace in orjson.loads(figure)["data"] if "meta" in trace]
    return sum(len(trace["customdata"]) for trace in lines)
