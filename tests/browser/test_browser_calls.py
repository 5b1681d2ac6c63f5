"""High alarms over the whole Room page, with a sound that a tap allows and acknowledging ends."""

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from axe_core_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from service.model import Alarm, AlarmTransition
from service.store.alarm_lists import open_alarms
from service.store.alarms import add_transition, get_alarm
from tests.browser.conftest import Screen, Server

pytestmark = pytest.mark.browser
OpenPage = Callable[..., Screen]
COUNTS_TONES = """
window.tones = 0;
const real = window.OscillatorNode;
window.OscillatorNode = class extends real { constructor(...given) { super(...given); window.tones += 1; } };
"""


def raised(server: Server, enclosure: str | None, condition: str = "basking-overheat") -> int:
    """Raise a high alarm as the watch does, and hint the live stream."""
    at = datetime.now(UTC) - timedelta(minutes=1)
    parts = server.house.parts
    with server.house.store.write() as session:
        place: dict[str, Any] = (
            {"enclosure_id": parts.facts(session).by_key[enclosure].id, "zone": "basking"} if enclosure else {}
        )
        row = Alarm(
            condition=condition, place=f"{enclosure or 'rack/front/B'}", priority="high", state="normal", raised_at=at,
            began_at=at, value=41.0, peak=41.5, limit=40.0, unit="°C", cause="Only the basking zone is hot.", **place,
        )  # fmt: skip
        session.add(row)
        session.flush()
        change = {"before": "normal", "after": "unacknowledged", "by": "the watch", "at": at, "recorded_at": at}
        add_transition(session, row, AlarmTransition(alarm_id=row.id or 0, **change))
    parts.wake.notify()
    return row.id or 0


def settled(server: Server) -> None:
    """Acknowledge all that is open."""
    with server.house.store.write() as session:
        for alarm in open_alarms(session, 0, 100):
            if alarm.state == "unacknowledged":
                change = {"before": alarm.state, "after": "acknowledged", "by": "a test"}
                at = datetime.now(UTC)
                transition = AlarmTransition(alarm_id=alarm.id or 0, at=at, recorded_at=at, **change)
                add_transition(session, alarm, transition)
    server.house.parts.wake.notify()


def banner(page: Page) -> None:
    expect(page.locator("body")).to_have_class(re.compile("is-called"), timeout=5_000)
    expect(page.locator("#banner")).to_be_visible()


def test_a_high_alarm_covers_the_room_until_it_is_acknowledged_and_is_said_aloud(
    open_page: OpenPage, server: Server
) -> None:
    settled(server)
    screen = open_page("/", 1920, 1080)
    page = screen.page
    expect(page.locator("#pulse")).to_contain_text("live,", timeout=8_000)
    expect(page.locator("#banner")).to_be_hidden()
    first = raised(server, "loose")
    banner(page)
    expect(page.locator("#called")).to_contain_text("Basking spot too hot")
    box = page.locator("#banner").bounding_box()
    assert box is not None
    assert (box["x"], box["y"], box["width"], box["height"]) == (0, 0, 1920, 1080)
    for theme in ("light", "dark"):
        page.emulate_media(color_scheme=theme)
        assert [one["id"] for one in Axe().run(page)["violations"]] == []
    # Folded away it stays away until another one comes.
    page.get_by_role("button", name="Show the room").click()
    expect(page.locator("#banner")).to_be_hidden()
    expect(page.locator("#tile-loose")).to_be_visible()
    second = raised(server, None, "gateway-cut")
    banner(page)
    expect(page.locator(".call")).to_have_count(2)
    expect(page.locator(".call").last).to_contain_text("Rack B")
    for what in ("Basking spot too hot", "Probes of one gateway or rack fell silent at once"):
        page.locator("#banner").get_by_role("button", name=re.compile(f"Acknowledge.*{what}")).click()
    expect(page.locator("#banner")).to_be_hidden(timeout=5_000)
    with server.house.store.read() as session:
        assert [get_alarm(session, one).state for one in (first, second)] == ["acknowledged"] * 2
    assert screen.complaints == []


def test_the_sound_waits_for_a_tap_is_remembered_and_ends_when_all_is_acknowledged(
    chromium: Browser, server: Server
) -> None:
    settled(server)
    context = chromium.new_context(viewport={"width": 1280, "height": 800}, reduced_motion="reduce")
    context.add_init_script(COUNTS_TONES)
    page = context.new_page()
    page.goto(f"{server.url}/")
    key = page.locator(".counts + [data-sound], header [data-sound]").first
    expect(key).to_have_text("Sound off")
    key.click()
    expect(key).to_have_text("Sound on")
    page.wait_for_function("window.tones === 3")
    raised(server, "loose")
    banner(page)
    expect(page.locator("body")).to_have_attribute("data-sounding", "true")
    page.wait_for_function("window.tones >= 6")
    # Another page of this browser remembers; where the browser asks for a tap first, it says so.
    page.reload()
    banner(page)
    expect(page.locator("#banner [data-sound]")).to_have_text(re.compile("Sound on|Sound waits for a tap"))
    page.locator("#banner-title").click()
    expect(page.locator("#banner [data-sound]")).to_have_text("Sound on")
    expect(page.locator("body")).to_have_attribute("data-sounding", "true")
    settled(server)
    expect(page.locator("body")).to_have_attribute("data-sounding", "false", timeout=5_000)
    key = page.locator("header [data-sound]")
    key.click()
    expect(key).to_have_text("Sound off")
    page.reload()
    expect(page.locator("header [data-sound]")).to_have_text("Sound off")
    context.close()


def test_without_scripts_the_alarm_stands_above_the_room_and_is_acknowledged(chromium: Browser, server: Server) -> None:
    settled(server)
    alarm = raised(server, "loose")
    context = chromium.new_context(java_script_enabled=False, viewport={"width": 360, "height": 740})
    page = context.new_page()
    page.goto(f"{server.url}/")
    expect(page.locator("#tile-loose")).to_be_visible()
    page.locator("#banner").get_by_role("button", name="Acknowledge").click()
    expect(page.locator("#banner")).to_be_hidden()
    with server.house.store.read() as session:
        assert get_alarm(session, alarm).state == "acknowledged"
    context.close()
