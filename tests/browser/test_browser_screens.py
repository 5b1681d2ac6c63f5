import re
from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from axe_core_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from service.api.parts import ComponentState
from service.model import Alarm, AlarmTransition, to_ms
from service.store.alarms import add_transition
from service.store.readings import add_readings
from tests.browser.conftest import Screen, Server
from tests.builders import wait_until

pytestmark = pytest.mark.browser
OpenPage = Callable[..., Screen]
PATHS = ("/", "/enclosures/hot")


def drawn(page: Page, path: str) -> None:
    """Wait until the page is live, and its chart is drawn where it has one."""
    expect(page.locator("#pulse")).to_contain_text("live,", timeout=8_000)
    if path.startswith("/enclosures"):
        expect(page.locator("#chart .main-svg").first).to_be_visible(timeout=15_000)
        expect(page.locator("#chart-said")).to_have_text("")


def folded(page: Page) -> None:
    """Fold away what calls over the whole Room page."""
    expect(page.locator("#banner")).to_be_visible()
    expect(page.locator("#fold")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.locator("#banner")).to_be_hidden()


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("path", PATHS)
def test_axe_finds_nothing_and_the_console_is_silent(open_page: OpenPage, path: str, theme: str) -> None:
    screen = open_page(path, theme=theme)
    drawn(screen.page, path)
    found = Axe().run(screen.page)
    said = [(one["id"], [node["target"] for node in one["nodes"]][:4]) for one in found["violations"]]
    assert said == []
    assert screen.complaints == []


@pytest.mark.parametrize("path", [*PATHS, "/about", "/enclosures/steady/table"])
def test_nothing_is_wider_than_a_small_phone_or_a_desk_at_200_percent(open_page: OpenPage, path: str) -> None:
    page = open_page(path, width=360, height=740).page
    if path in PATHS:
        drawn(page, path)
    for width, height in ((360, 740), (640, 400)):
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate("document.scrollingElement.scrollWidth") <= width
    # Who asks for less motion sees none.
    assert page.evaluate("document.getAnimations().length") == 0


def test_who_needs_someone_is_on_top_of_a_phone(open_page: OpenPage) -> None:
    page = open_page("/", width=390, height=844).page
    first = page.locator(".callout").first
    expect(first).to_contain_text("Day geckos 2")
    box = first.bounding_box()
    assert box
    assert box["y"] < 400


def test_a_room_of_a_few_racks_fits_a_wall_screen(open_page: OpenPage) -> None:
    page = open_page("/", width=1920, height=1080).page
    assert page.evaluate("document.documentElement.scrollHeight") <= 1080
    assert page.locator(".tile").count() == 8


def test_a_tile_changes_when_a_reading_is_stored(open_page: OpenPage, server: Server) -> None:
    screen = open_page("/")
    drawn(screen.page, "/")
    figure = screen.page.locator("#tile-steady .figure")
    now_ms = to_ms(datetime.now(UTC))
    with server.house.store.write() as session:
        add_readings(session, [(server.house.channels["steady/surface_temperature"], now_ms, 27.3, 1)])
    server.house.parts.wake.notify()
    expect(figure).to_contain_text("27.3", timeout=5_000)
    assert screen.complaints == []


# What a browser makes of each answer by itself, beside what the page has made of all of them, one after the other.
_PLACED = """async ([address, answers]) => {
  const { partsOf, placeInSlices } = await import(address);
  const there = (tile) => document.getElementById(tile.id);
  const [said, gaps] = [[], []];
  for (const answer of answers) {
    await placeInSlices(partsOf(answer));
    const pieces = document.createElement("template");
    pieces.innerHTML = answer;
    const tiles = [...pieces.content.querySelectorAll(".tile")];
    said.push([tiles.length, tiles.filter((tile) => !tile.isEqualNode(there(tile))).map((tile) => tile.id)]);
    gaps.push(document.getElementById("tile-gap"));
  }
  return [said, gaps[1] === gaps[2]];
}"""


def test_tiles_that_are_renewed_in_place_are_what_the_service_says(open_page: OpenPage, server: Server) -> None:
    page = open_page("/about").page
    address = f"{server.url}/fragments/tiles"
    answers = [page.request.get(address).text()]
    now_ms = to_ms(datetime.now(UTC))
    for value in (27.3, 26.9):
        with server.house.store.write() as session:
            channels = [server.house.channels[f"{key}/surface_temperature"] for key in ("gap", "steady")]
            add_readings(session, [(n, now_ms + int(value * 10), value, 1) for n in channels])
        answers.append(page.request.get(address).text())
    # Other words, and marks that come and go: the tile of one enclosure as if it were another's.
    quiet = answers[-1].replace('id="tile-hot"', 'id="tile-x"').replace('id="tile-silent"', 'id="tile-hot"')
    answers += [quiet.replace('id="tile-x"', 'id="tile-silent"'), answers[0].replace("°C", "°F &amp; &#34;°C&#34;")]
    module = page.locator("script[src$='/frame.js']").evaluate("one => one.src.replace('frame.js', 'place.js')")
    page.goto(f"{server.url}/")
    said, is_kept = page.evaluate(_PLACED, [module, answers])
    assert said == [[8, []]] * len(answers)
    assert is_kept, "a tile of which only figures changed was made anew"


def test_an_alarm_comes_forward_and_is_said_aloud(open_page: OpenPage, server: Server) -> None:
    screen = open_page("/")
    drawn(screen.page, "/")
    now = datetime.now(UTC)
    with server.house.store.write() as session:
        row = Alarm(
            condition="basking-overheat", place="loose/basking", zone="basking", priority="high", state="normal",
            enclosure_id=next(e.id for e in server.house.parts.facts(session).enclosures.values() if e.key == "loose"),
            raised_at=now, began_at=now, value=41.0, limit=40.0, unit="°C",
        )  # fmt: skip
        session.add(row)
        session.flush()
        change = {"before": "normal", "after": "unacknowledged", "by": "watch", "at": now, "recorded_at": now}
        add_transition(session, row, AlarmTransition(alarm_id=row.id or 0, **change))
    server.house.parts.wake.notify()
    expect(screen.page.locator("#needs-you")).to_contain_text("Quarantine 1", timeout=5_000)
    expect(screen.page.locator("#said")).to_contain_text("Quarantine 1: basking overheat, unacknowledged")
    expect(screen.page.locator("#tile-loose")).to_have_class(re.compile("is-act"))


def test_focus_stays_on_a_tile_that_is_drawn_anew(open_page: OpenPage, server: Server) -> None:
    screen = open_page("/")
    drawn(screen.page, "/")
    folded(screen.page)
    tile = screen.page.locator("#tile-gap")
    tile.focus()
    with server.house.store.write() as session:
        row = (server.house.channels["gap/surface_temperature"], to_ms(datetime.now(UTC)), 29.9, 1)
        add_readings(session, [row])
    server.house.parts.wake.notify()
    expect(tile.locator(".figure")).to_contain_text("29.9", timeout=5_000)
    expect(tile).to_be_focused()


def test_the_cover_says_since_when_and_goes_when_the_service_is_back(open_page: OpenPage, server: Server) -> None:
    screen = open_page("/")
    drawn(screen.page, "/")
    cover = screen.page.locator("#cover")
    expect(cover).to_be_hidden()
    server.stop()
    expect(cover).to_be_visible(timeout=20_000)
    expect(cover).to_contain_text(re.compile(r"Not live since \d\d:\d\d"))
    expect(screen.page.locator("#pulse")).to_have_text("not live")
    now_ms = to_ms(datetime.now(UTC))
    with server.house.store.write() as session:
        add_readings(session, [(server.house.channels["loose/surface_temperature"], now_ms, 28.8, 1)])
    server.start()
    expect(cover).to_be_hidden(timeout=15_000)
    expect(screen.page.locator("#tile-loose .figure")).to_contain_text("28.8", timeout=5_000)


def test_a_service_that_does_not_hear_the_room_covers_the_picture(open_page: OpenPage, server: Server) -> None:
    screen = open_page("/")
    drawn(screen.page, "/")
    server.house.states["broker"] = ComponentState(ok=False, said="the broker does not answer; start it")
    cover = screen.page.locator("#cover")
    expect(cover).to_contain_text("the broker does not answer; start it", timeout=10_000)
    server.house.states["broker"] = ComponentState(ok=True, said="connected")
    expect(cover).to_be_hidden(timeout=10_000)


def test_a_page_that_slept_is_covered_as_soon_as_it_wakes(open_page: OpenPage) -> None:
    screen = open_page("/")
    drawn(screen.page, "/")
    # The computer sleeps: its clock goes on, the page does not.
    screen.page.evaluate("() => { const real = Date.now; Date.now = () => real() + 3_600_000; }")
    screen.page.evaluate("() => window.dispatchEvent(new Event('focus'))")
    expect(screen.page.locator("#cover")).to_contain_text("Not live since")
    expect(screen.page.locator("#cover")).to_be_hidden(timeout=10_000)


def test_the_theme_is_the_systems_or_the_persons_and_is_remembered(open_page: OpenPage) -> None:
    page = open_page("/about", theme="dark").page
    ground = "getComputedStyle(document.body).backgroundColor"
    dark = page.evaluate(ground)
    page.get_by_label("light", exact=True).check()
    light = page.evaluate(ground)
    assert light != dark
    page.reload()
    assert page.evaluate(ground) == light
    page.get_by_label("as the system").check()
    assert page.evaluate(ground) == dark


def test_a_chart_shows_other_spans_and_has_a_table_twin(open_page: OpenPage) -> None:
    screen = open_page("/enclosures/hot")
    page = screen.page
    drawn(page, "/enclosures/hot")
    length = "() => { const a = document.getElementById('chart').layout.xaxis.range; return a[1] - a[0]; }"
    assert page.evaluate(length) == 86_400_000
    page.get_by_role("button", name="7 days").click()
    wait_until(lambda: page.evaluate(length) == 7 * 86_400_000)
    page.get_by_text("The same data as a table").click()
    expect(page.locator("#table")).to_contain_text("no data")
    expect(page.locator("#table th[scope=col]").nth(1)).to_contain_text("Ambient")
    assert "from=" in (page.locator("#csv").get_attribute("href") or "")
    assert page.locator(".modebar-btn--logo").count() == 0
    assert screen.complaints == []


def test_a_zoom_asks_the_service_for_the_view_and_stays(open_page: OpenPage, server: Server) -> None:
    page = open_page("/about").page
    # The minute after which a chart that follows the present moves on.
    page.add_init_script("const real = setInterval; window.setInterval = (f, ms) => real(f, ms === 60_000 ? 300 : ms);")
    page.goto(f"{server.url}/enclosures/steady")
    drawn(page, "/enclosures/steady")
    ends = "() => document.getElementById('chart').layout.xaxis.range"
    followed = page.evaluate(ends)
    wait_until(lambda: page.evaluate(ends) != followed)
    with page.expect_response(lambda answer: "/figure?from=" in answer.url) as asked:
        chosen = page.evaluate(
            "async () => { const [a, b] = document.getElementById('chart').layout.xaxis.range;"
            " await Plotly.relayout('chart', {'xaxis.range': [a + 3_600_000 * 20, b]});"
            " return document.getElementById('chart').layout.xaxis.range.map(Math.round); }"
        )
    assert asked.value.ok
    page.wait_for_timeout(1_000)
    assert page.evaluate(ends) == chosen


def test_a_view_is_moved_by_keyboard_and_one_line_tells_what_every_panel_said(open_page: OpenPage) -> None:
    screen = open_page("/enclosures/steady")
    page = screen.page
    drawn(page, "/enclosures/steady")
    page.locator("#chart").scroll_into_view_if_needed()
    box = page.locator("#chart .nsewdrag").first.bounding_box()
    assert box
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 20)
    expect(page.locator("#cursor-line")).to_be_visible()
    expect(page.locator("#cursor")).to_have_text(re.compile(r"\d\d:\d\d.* · .*\d\.\d °C.* · .*\d %RH"))
    line = page.locator("#cursor-line").bounding_box()
    assert line
    assert line["height"] > 2 * box["height"]
    shown = "document.getElementById('chart').layout.xaxis.range[1]"
    before = page.evaluate(shown)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url) if "/figure?" in request.url else None)
    page.get_by_role("button", name="Earlier").focus()
    with page.expect_response(lambda answer: "/figure?from=" in answer.url):
        for _ in range(3):
            page.keyboard.press("Enter")
    expect(page.locator("#chart-said")).to_have_text("")
    assert before - page.evaluate(shown) == 3 * 43_200_000
    # The views on the way are not asked for.
    assert len(asked) == 1
    assert screen.complaints == []


def test_the_skip_link_and_the_tiles_are_reached_by_keyboard(open_page: OpenPage) -> None:
    page = open_page("/").page
    folded(page)
    page.keyboard.press("Tab")
    expect(page.locator(".skip")).to_be_focused()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    expect(page.locator(".chip, .callout-head a").first).to_be_focused()
    page.locator("#tile-steady").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/enclosures/steady")


def test_a_span_is_chosen_in_the_time_of_the_site(open_page: OpenPage) -> None:
    page = open_page("/enclosures/steady").page
    drawn(page, "/enclosures/steady")
    # Lisbon is an hour ahead of UTC in summer.
    page.locator("#from").fill("2026-07-01T12:00")
    page.locator("#to").fill("2026-07-02T12:00")
    with page.expect_response(lambda answer: "/figure?from=" in answer.url) as asked:
        page.get_by_role("button", name="Show").click()
    assert f"from={to_ms(datetime(2026, 7, 1, 11, tzinfo=UTC))}&" in asked.value.url
