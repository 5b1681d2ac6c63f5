"""The wall over days: what its page holds after thousands of updates."""

from datetime import timedelta

import httpx
from playwright.sync_api import Browser, CDPSession, Page

from service.store.facts import load_facts
from tests.bench.figures import BenchError, Figure, Pairs, Target, Tell
from tests.bench.screens_serving import ServedRoom, opened

_UPDATES, _STEP = 10_000, 1_000
_MOST_RATIO = 1.05
_ANSWERS = 6
_DRIVEN = """(() => {
  let ahead = 0;
  const now = Date.now.bind(Date);
  const ask = window.fetch.bind(window);
  Date.now = () => now() + ahead;
  window.EventSource = class extends EventTarget {
    static CLOSED = 2;
    readyState = 1;
    constructor() { super(); window.stream = this; }
    close() {}
  };
  let answers = [];
  let answered = async () => new Response("", { status: 503 });
  window.fetch = (address, how) => (address.startsWith("/fragments/") ? answered(address) : ask(address, how));
  const say = (name, told) => window.stream.dispatchEvent(new MessageEvent(name, { data: JSON.stringify(told) }));
  window.keep = (texts) => {
    // Bytes lie outside of the script's memory, as what a server sends does.
    answers = texts.map((text) => new TextEncoder().encode(text));
    // Laid out and painted it would take ten times as long, and none of that is in the script's memory.
    const sheet = new CSSStyleSheet();
    sheet.replaceSync("main { content-visibility: hidden; }");
    document.adoptedStyleSheets = [sheet];
  };
  window.drive = (from, until, readings) => new Promise((resolve) => {
    let number = from;
    const next = () => {
      if (number >= until) return setTimeout(resolve, 100);
      if (number % 5 === 0) say("pulse", { ok: true, at: new Date().toISOString() });
      // Once a minute all is asked for, else what has new readings: every enclosure.
      if (number % 60 === 0) say("alarm", { enclosure: null, condition: "gateway-cut", state: "normal" });
      else say("readings", { readings });
    };
    answered = async () => {
      number += 1;
      ahead += 1000;
      setTimeout(next);
      return new Response(answers[number % answers.length]);
    };
    next();
  });
})()"""


def heap_figure(browser: Browser, room: ServedRoom, tiles: int, tell: Tell) -> Figure:
    """Return what the wall's page holds after all updates, beside what it held after the first thousand."""
    texts, readings = _answers(room)
    with opened(browser) as page:
        page.add_init_script(_DRIVEN)
        page.goto(f"{room.url}/wall", wait_until="load")
        page.evaluate("texts => window.keep(texts)", texts)
        session = page.context.new_cdp_session(page)
        held = []
        for done in range(0, _UPDATES, _STEP):
            page.evaluate(
                "([from, until, readings]) => window.drive(from, until, readings)", [done, done + _STEP, readings]
            )
            held.append(_held(session))
            tell(f"wall: {done + _STEP:,} of {_UPDATES:,} updates, heap {held[-1][0]:,.0f} KiB, {held[-1][1]:,} nodes")
        _require_the_last(page, texts[_UPDATES % len(texts)])
    kib = [heap for heap, _ in held]
    note = (
        f"after each thousand {', '.join(f'{one:,.0f}' for one in kib)} KiB; "
        f"nodes of the page {held[0][1]:,} and {held[-1][1]:,}"
    )
    target = Target(f"ratio at most {_MOST_RATIO}", lambda pairs: pairs.ratio <= _MOST_RATIO)
    what = f"Heap of a wall of {tiles} tiles after {_UPDATES:,} updates"
    return Figure(what, "KiB", Pairs((kib[-1],), (kib[0],)), target, note)


def _answers(room: ServedRoom) -> tuple[list[str], list[dict[str, str]]]:
    """Return pieces of the wall as the service answers them minute by minute, and the readings that it tells of."""
    answers: list[str] = []
    for number in range(_ANSWERS):
        # Before the last one the probes fall silent: words and hatching come and go, not figures alone.
        is_silent = number == _ANSWERS - 1
        room.ahead += timedelta(minutes=45 if is_silent else 1)
        if not is_silent:
            room.renew()
        answers.append(httpx.get(f"{room.url}/fragments/wall").text)
    with room.store.read() as session:
        keys = list(load_facts(session).by_key)
    return answers, [{"enclosure": key} for key in keys]


def _require_the_last(page: Page, html: str) -> None:
    """Raise BenchError where a tile on the wall is not what was answered last, or the wall covered itself."""
    differ = page.evaluate(
        """html => {
          const pieces = document.createElement("template");
          pieces.innerHTML = html;
          const tiles = [...pieces.content.querySelectorAll(".tile")];
          const others = tiles.filter((tile) => !tile.isEqualNode(document.getElementById(tile.id)));
          return tiles.length === 0 || !document.getElementById("cover").hidden ? -1 : others.length;
        }""",
        html,
    )
    if differ:
        raise BenchError(f"the wall did not follow to the end: {differ} tiles differ (-1: none came, or it is covered)")


def _held(session: CDPSession) -> tuple[float, int]:
    """Return the JavaScript heap [KiB] and the nodes that are left when all garbage is collected."""
    session.send("HeapProfiler.enable")
    for _ in range(3):
        session.send("HeapProfiler.collectGarbage")
    session.send("Performance.enable")
    metrics = {one["name"]: one["value"] for one in session.send("Performance.getMetrics")["metrics"]}
    return metrics["JSHeapUsedSize"] / 1024, int(metrics["Nodes"])
