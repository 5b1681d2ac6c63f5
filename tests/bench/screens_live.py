"""The Room page while it follows the room: what the browser itself says of the script and the work of each update."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from statistics import median
from typing import Any

import orjson
from playwright.sync_api import Browser, Page

from tests.bench.figures import BenchError, Figure, Pairs, Target, Tell
from tests.bench.screens_serving import ServedRoom, opened

_MOST_MS = 8.0
_WARM = 3
"""Updates before the first that counts: the first of a page makes each tile anew."""
_SETTLED_S = 1.3
"""By then what an update began is over, and the page may ask again. [s]"""
_CATEGORIES = ["devtools.timeline", "blink.user_timing", "v8.execute"]
_SCRIPT = {"EvaluateScript", "FunctionCall", "RunMicrotasks", "v8.callFunction"}
_PICTURE = {"UpdateLayoutTree", "Layout", "PrePaint", "Paint", "Layerize", "Commit"}
_BARE = """async () => {
  performance.mark("bare");
  document.getElementById("wall").innerHTML = await (await fetch("/fragments/tiles", { cache: "no-store" })).text();
}"""
_Event = dict[str, Any]


def update_figures(browser: Browser, room: ServedRoom, tiles: int, pairs: int, tell: Tell) -> list[Figure]:
    """Return the script of one update of all tiles: in all, and in its longest piece."""
    with opened(browser) as page, opened(browser) as bare:
        page.goto(f"{room.url}/", wait_until="load")
        # The bare page has the same markup and style sheet, and none of our scripts.
        bare.route("**/*.js", lambda route: route.abort())
        bare.goto(f"{room.url}/", wait_until="load")
        with _traced(browser) as trace:
            for pair in range(_WARM + pairs):
                tell(f"live update {pair + 1} of {_WARM + pairs}")
                _renewed(page, room)
                bare.evaluate(_BARE)
                time.sleep(_SETTLED_S)
        found = [(ours, bare) for ours, bare in zip(trace.of("ours"), trace.of("bare"), strict=True)][_WARM:]
    note = (
        f"style, layout and painting after it {_median(ours.picture_ms for ours, _ in found):.1f} ms, "
        f"bare {_median(bare.picture_ms for _, bare in found):.1f} ms"
    )
    target = Target(f"median under {_MOST_MS:.0f} ms", lambda measured: median(measured.ours) < _MOST_MS)
    what = f"Live update of {tiles} tiles at once"
    whole = Pairs(tuple(ours.script_ms for ours, _ in found), tuple(bare.script_ms for _, bare in found))
    longest = Pairs(tuple(ours.longest_ms for ours, _ in found), tuple(bare.longest_ms for _, bare in found))
    return [
        Figure(f"{what}, all its script", "ms", whole, target, note, digits=1),
        Figure(f"{what}, the longest piece", "ms", longest, target, digits=1),
    ]


def _median(values: Iterator[float]) -> float:
    return median(list(values))


def _renewed(page: Page, room: ServedRoom) -> None:
    """Let every channel have a new reading, and wait until the page has put all of it in place."""
    page.evaluate("performance.mark('ours')")
    with page.expect_response(lambda answer: "/fragments/tiles" in answer.url, timeout=20_000):
        room.renew()
    time.sleep(_SETTLED_S)


@dataclass(frozen=True, slots=True)
class Work:
    """What a page's main thread did for one update: script in all, its longest piece, and the picture after it [ms]."""

    script_ms: float
    longest_ms: float
    picture_ms: float


class Trace:
    """What a browser wrote down of its work."""

    def __init__(self) -> None:
        self.events: list[_Event] = []

    def of(self, mark: str) -> list[Work]:
        """Return the work in the second after each mark of that name.

        Raises
        ------
        BenchError
            When there is no such mark.
        """
        marks = sorted((e for e in self.events if e.get("name") == mark), key=lambda event: event["ts"])
        if not marks:
            raise BenchError(f"the browser's trace has no mark {mark!r}")
        thread = marks[0]["pid"], marks[0]["tid"]
        mine = [e for e in self.events if (e["pid"], e["tid"]) == thread and e["ph"] == "X"]
        return [_work([e for e in mine if 0 <= e["ts"] - mark["ts"] < _SETTLED_S * 1_000_000]) for mark in marks]


def _work(events: list[_Event]) -> Work:
    script = _outermost(events, _SCRIPT)
    return Work(sum(script), max(script, default=0.0), sum(_outermost(events, _PICTURE)))


def _outermost(events: list[_Event], names: set[str]) -> list[float]:
    """Return the processor's time of those events that lie in no other of these names [ms]."""
    lasted, until = [], 0.0
    for event in sorted((e for e in events if e["name"] in names), key=lambda e: (e["ts"], -e["dur"])):
        if event["ts"] >= until:
            lasted.append(event["tdur"] / 1000)
            until = event["ts"] + event["dur"]
    return lasted


@contextmanager
def _traced(browser: Browser) -> Iterator[Trace]:
    """Let the browser write down its work; what it wrote is there when the block has ended."""
    trace = Trace()
    browser.start_tracing(categories=_CATEGORIES)
    try:
        yield trace
    finally:
        trace.events = orjson.loads(browser.stop_tracing())["traceEvents"]
