import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest
from axe_core_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from tests.browser.conftest import Screen, Server

pytestmark = pytest.mark.browser
OpenPage = Callable[..., Screen]
PIECES = ("piece-days", "piece-typical", "piece-rain", "piece-misting")
YESTERDAY = str((datetime.now(UTC) - timedelta(days=1)).date())
PATHS = ("days", "misting", "typical-day", "rain-response", f"days/{YESTERDAY}")


def filled(page: Page) -> None:
    """Wait until the pieces that look back are in place."""
    expect(page.locator("#past")).to_have_attribute("data-filled", "yes", timeout=20_000)


def complaints_of_axe(page: Page) -> list[object]:
    found = Axe().run(page)
    return [(one["id"], [node["target"] for node in one["nodes"]][:4]) for one in found["violations"]]


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("path", PATHS)
def test_axe_finds_nothing_on_the_pages_of_the_past(open_page: OpenPage, path: str, theme: str) -> None:
    screen = open_page(f"/enclosures/hot/{path}", theme=theme)
    for twin in screen.page.locator("details").all():
        twin.evaluate("element => (element.open = true)")
    assert complaints_of_axe(screen.page) == []
    assert screen.complaints == []


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_pieces_come_after_the_first_paint_and_axe_finds_nothing(open_page: OpenPage, theme: str) -> None:
    screen = open_page("/enclosures/hot", theme=theme)
    filled(screen.page)
    for piece in PIECES:
        expect(screen.page.locator(f"#{piece} .piece-head")).to_be_visible()
    expect(screen.page.locator("#piece-days .day").last).to_have_attribute("aria-current", "date")
    assert screen.page.locator("h1").count() == 1
    expect(screen.page.locator("#chart .main-svg").first).to_be_visible(timeout=15_000)
    assert complaints_of_axe(screen.page) == []
    assert screen.complaints == []


@pytest.mark.parametrize("path", ["", *(f"/{path}" for path in PATHS)])
def test_no_page_of_the_past_is_wider_than_a_small_phone(open_page: OpenPage, path: str) -> None:
    page = open_page(f"/enclosures/hot{path}", width=360, height=740).page
    if not path:
        filled(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    # Nor is anything cut off at the side of a list.
    ends = page.locator(".cycle > *").evaluate_all("all => all.map(one => one.getBoundingClientRect().right)")
    assert max(ends, default=0) <= 360


def test_without_scripts_links_lead_to_every_piece_and_days_are_turned(chromium: Browser, server: Server) -> None:
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{server.url}/enclosures/hot")
    page.get_by_role("link", name="Every day of the last 13 weeks and how it was").click()
    expect(page).to_have_url(re.compile("/enclosures/hot/days$"))
    page.locator(f"a[href$='/days/{YESTERDAY}']").click()
    expect(page.get_by_role("heading", name="Checks")).to_be_visible()
    page.locator("a[rel=next]").click()
    expect(page.locator("a[rel=next]")).to_have_count(0)
    page.locator("a[rel=prev]").click()
    expect(page).to_have_url(re.compile(f"/days/{YESTERDAY}$"))
    context.close()


def test_a_day_is_reached_and_opened_by_keyboard(open_page: OpenPage) -> None:
    page = open_page("/enclosures/hot").page
    filled(page)
    cell = page.locator(f"#piece-days a[href$='/days/{YESTERDAY}']")
    cell.focus()
    expect(cell).to_be_focused()
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/enclosures/hot/days/{YESTERDAY}")


def test_a_piece_that_cannot_be_fetched_says_so_and_the_others_come(open_page: OpenPage) -> None:
    screen = open_page("/about")
    screen.page.route("**/enclosures/hot/rain-response", lambda route: route.fulfill(status=503, body="no"))
    screen.page.goto(screen.page.url.replace("/about", "/enclosures/hot"))
    filled(screen.page)
    rain = screen.page.locator("#piece-rain")
    expect(rain).to_contain_text("This could not be brought up to date.")
    expect(rain.get_by_role("link", name="Open it by itself")).to_have_attribute(
        "href", "/enclosures/hot/rain-response"
    )
    expect(screen.page.locator("#piece-misting .cycle").first).to_be_visible()


def test_every_target_of_a_finger_is_large_enough(open_page: OpenPage) -> None:
    page = open_page("/enclosures/hot/days", width=390, height=844).page
    sizes = page.locator(".day").evaluate_all(
        "cells => cells.map(c => c.getBoundingClientRect()).map(b => [b.width, b.height])"
    )
    assert sizes
    # WCAG 2.2, success criterion 2.5.8.
    assert min(min(size) for size in sizes) >= 24


def test_pictures_follow_the_theme(open_page: OpenPage) -> None:
    page = open_page("/enclosures/hot/rain-response", theme="light").page
    ink = "() => getComputedStyle(document.querySelector('.curve-newest')).stroke"
    light = page.evaluate(ink)
    page.get_by_label("dark", exact=True).check()
    assert page.evaluate(ink) != light
