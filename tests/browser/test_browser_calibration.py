from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from io import BytesIO

import pytest
from axe_core_python.sync_playwright import Axe
from playwright.sync_api import expect
from pypdf import PdfReader

from tests.browser.conftest import Screen

pytestmark = pytest.mark.browser
OpenPage = Callable[..., Screen]
CHANNEL = "/calibration/loose-air/air_temperature"
A4_POINTS = (595, 842)


def standing() -> str:
    since = (datetime.now(UTC) - timedelta(hours=1)).strftime("%Y-%m-%dT%H:%M:%SZ")
    return f"{CHANNEL}?method=ice-point&since={since}"


def test_a_check_is_made_step_by_step_and_its_record_fills_one_page_of_a4(open_page: OpenPage) -> None:
    screen = open_page("/calibration")
    page = screen.page
    page.get_by_role("link", name="loose-air").click()
    page.locator(".method", has_text="Beside a reference").get_by_role("button").click()
    expect(page.get_by_text("a hand's breadth apart")).to_be_visible()
    page.get_by_role("button", name="It stands there now").click()
    expect(page.locator("#stand")).to_contain_text("What the reference instrument shows is missing")
    # An hour is not waited for: it has stood there since before.
    page.goto(page.url.split("?")[0] + "?" + standing().split("?")[1].replace("ice-point", "side-by-side"))
    page.get_by_label("The reference instrument").fill("Thermometer 7, certificate 12/2026")
    page.get_by_label("It shows [°C]").fill("25,2")
    page.get_by_label("Its uncertainty, k = 2 [°C]").fill("0.1")
    page.get_by_role("button", name="Look", exact=True).click()
    expect(page.locator(".stand-figures")).to_contain_text("25.20 °C ± 0.15 °C".replace(" °", "\N{NO-BREAK SPACE}°"))
    # Whether the room's air stands still depends on the hour: what a certificate says does not.
    page.locator(".method", has_text="From a certificate").get_by_role("button").click()
    page.get_by_label("The certificate").fill("Thermometer 7, certificate 12/2026")
    page.get_by_label("What was true [°C]").fill("25,2")
    page.get_by_label("What the probe read [°C]").fill("25.5")
    page.get_by_label("How well that is known, k = 2 [°C]").fill("0.1")
    page.get_by_label("Checked by").fill("Ana")
    page.get_by_role("button", name="Enter the check").click()
    expect(page.get_by_role("heading", name="Record of a reference check")).to_be_visible()
    expect(page.get_by_role("button", name="Print on A4")).to_be_visible()
    printed = PdfReader(BytesIO(page.pdf(prefer_css_page_size=True)))
    assert len(printed.pages) == 1
    assert tuple(round(side) for side in printed.pages[0].mediabox[2:]) == A4_POINTS
    text = printed.pages[0].extract_text()
    assert "Thermometer 7" in text
    assert "Print on A4" not in text
    assert "Find" not in text
    assert screen.complaints == []


def test_how_it_stands_renews_itself_and_what_is_written_stays(open_page: OpenPage) -> None:
    page = open_page("/about").page
    page.clock.install()
    page.goto(page.url.replace("/about", standing()))
    page.get_by_label("Note").fill("half a word")
    shown = page.locator("#stand time")
    before = shown.get_attribute("datetime")
    page.clock.run_for(11_000)
    expect(shown).not_to_have_attribute("datetime", before or "")
    expect(page.get_by_label("Note")).to_have_value("half a word")


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_axe_finds_nothing_on_the_pages_of_checks(open_page: OpenPage, theme: str) -> None:
    screen = open_page("/calibration", theme=theme)
    record = screen.page.context.request.post(
        screen.page.url.replace("/calibration", "/calibration/gap-air/air_temperature"),
        form={
            "method": "certificate", "against": "no. 3", "reference": "25", "reads": "25.2",
            "reference_uncertainty": "0.1", "by": "Ana",
        },
        headers={"x-wardian": "1"},
    )  # fmt: skip
    for path in ("/calibration", standing(), f"{CHANNEL}?method=certificate", record.url):
        screen.page.goto(path if path.startswith("http") else record.url.split("/reference-checks")[0] + path)
        for twin in screen.page.locator("details").all():
            twin.evaluate("element => (element.open = true)")
        found = Axe().run(screen.page)
        assert [(one["id"], [node["target"] for node in one["nodes"]][:4]) for one in found["violations"]] == [], path
        screen.page.set_viewport_size({"width": 360, "height": 740})
        assert screen.page.evaluate("document.documentElement.scrollWidth") <= 360, path
        screen.page.set_viewport_size({"width": 1280, "height": 900})
    assert screen.complaints == []
