"""Hands and paper: the four moments by keyboard alone, a chart under a thumb, and a page that is printed."""

import re
from collections.abc import Callable
from io import BytesIO

import pytest
from playwright.sync_api import Browser, CDPSession, Page, expect
from pypdf import PdfReader

from service.store.alarms import get_alarm
from tests.browser.conftest import Screen, Server

pytestmark = pytest.mark.browser
OpenPage = Callable[..., Screen]
_IN_FOCUS = """() => {
  const one = document.activeElement, box = one.getBoundingClientRect(), style = getComputedStyle(one);
  // The parts of a date field draw a focus of their own.
  if (one.type === "date") return ["", true];
  const isSeen = box.bottom > 0 && box.top < innerHeight && one.matches(":focus-visible");
  const said = one.ariaLabel ?? one.textContent.trim();
  return [said, isSeen && style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2];
}"""


def tab_to(page: Page, text: str) -> None:
    """Press Tab until what has the focus says `text`; each focus on the way can be seen."""
    for _ in range(40):
        page.keyboard.press("Tab")
        said, is_seen = page.evaluate(_IN_FOCUS)
        assert is_seen, said
        if re.search(text, said):
            return
    raise AssertionError(f"no Tab came to {text}")


def test_the_four_moments_are_walked_by_keyboard_alone(open_page: OpenPage, server: Server) -> None:
    page = open_page("/").page
    # No key leads into a chart: it need not be drawn here.
    page.route("**/plotly.js", lambda route: route.abort())
    expect(page.locator("#pulse")).to_contain_text("live,", timeout=8_000)
    expect(page.locator("#fold")).to_be_visible()
    # Being called: the call is answered over the room.
    tab_to(page, "^Acknowledge")
    page.keyboard.press("Enter")
    expect(page.locator("#banner")).to_be_hidden(timeout=5_000)
    with server.house.store.read() as session:
        assert get_alarm(session, 1).state == "acknowledged"
    # Watching the room: who needs someone is opened.
    page.locator("#main").focus()
    tab_to(page, "Day geckos 2")
    page.keyboard.press("Enter")
    page.wait_for_url("**/enclosures/hot")
    # Knowing that misting works: each of the last cycles is told, and leads to its day.
    expect(page.locator("#past")).to_have_attribute("data-filled", "yes", timeout=20_000)
    page.locator("#piece-typical summary").last.focus()
    tab_to(page, r"\d\d:\d\d: ")
    expect(page.locator(".rain-step:focus")).to_have_count(1)
    page.keyboard.press("Enter")
    page.wait_for_url("**/enclosures/hot/days/*")
    # Looking back: the report stands on the screen.
    tab_to(page, "^Look-back$")
    page.keyboard.press("Enter")
    page.wait_for_url("**/look-back")
    page.locator("#main").focus()
    tab_to(page, "choose an animal")
    page.keyboard.type("Dart")
    tab_to(page, "^Look back$")
    page.keyboard.press("Enter")
    expect(page.locator("#report-title")).to_contain_text("Dart frogs 1")


def test_a_thumb_scrolls_past_a_chart_and_marks_the_span_that_is_drawn_closer(
    chromium: Browser, server: Server
) -> None:
    context = chromium.new_context(
        viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True, reduced_motion="reduce"
    )
    page = context.new_page()
    page.goto(f"{server.url}/enclosures/steady", wait_until="load")
    expect(page.locator("#chart .main-svg").first).to_be_visible(timeout=15_000)
    expect(page.locator("#chart-said")).to_have_text("")
    page.evaluate("document.getElementById('chart').scrollIntoView()")
    area = page.locator("#chart .nsewdrag").first.bounding_box()
    assert area
    middle, foot = area["x"] + area["width"] / 2, area["y"] + area["height"] - 10
    thumb = context.new_cdp_session(page)
    length = "(() => { const [a, b] = document.getElementById('chart').layout.xaxis.range; return b - a; })()"
    before = page.evaluate("scrollY")
    swipe(page, thumb, (middle, foot), (0, -150))
    page.wait_for_function(f"scrollY > {before + 60}")
    assert page.evaluate(length) == 86_400_000
    page.evaluate("document.getElementById('chart').scrollIntoView()")
    with page.expect_response(lambda answer: "/figure?from=" in answer.url):
        swipe(page, thumb, (area["x"] + area["width"] / 4, foot), (area["width"] / 2, 0))
    assert 0.4 < page.evaluate(length) / 86_400_000 < 0.6
    # Paper of the same page: narrow enough for its chart, light, with its time, and without what is pressed.
    paper = PdfReader(BytesIO(page.pdf(format="A4")))
    text = "\n".join(one.extract_text() for one in paper.pages)
    assert re.search(r"\d\d:\d\d:\d\d", text)
    assert "Day geckos 1" in text
    for pressed in ("Look-back", "Note something", "Earlier", "7 days", "Take out of service"):
        assert pressed not in text, pressed
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate("getComputedStyle(document.documentElement).getPropertyValue('--ink')") == "#14201a"
    assert page.locator("button:visible, input:visible, .ways:visible").count() == 0
    context.close()


def swipe(page: Page, thumb: CDPSession, at: tuple[float, float], by: tuple[float, float], steps: int = 10) -> None:
    """Draw one finger over the screen. [px]"""
    for step in range(steps + 1):
        point = {"x": at[0] + by[0] * step / steps, "y": at[1] + by[1] * step / steps}
        kind = "touchMove" if step else "touchStart"
        thumb.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [point]})
        page.evaluate("new Promise(requestAnimationFrame)")
    thumb.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
