import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta

import pytest
from axe_core_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from service.model import Alarm, AlarmTransition
from service.people.accounts import add_account
from service.people.roles import Role
from service.store.alarms import add_transition, get_alarm
from tests.browser.conftest import Screen, Server
from tests.dashboard.glasshouse import Glasshouse, glasshouse

pytestmark = pytest.mark.browser
OpenPage = Callable[..., Screen]
PASSWORD = "seven wet ferns"  # noqa: S105 - of someone who is not there


def raised(server: Server, enclosure: str | None, condition: str, minutes_ago: float = 0) -> int:
    """Raise an alarm as the watch does, and hint the live stream."""
    at = datetime.now(UTC) - timedelta(minutes=minutes_ago)
    parts = server.house.parts
    with server.house.store.write() as session:
        place = {"enclosure_id": parts.facts(session).by_key[enclosure].id, "zone": "basking"} if enclosure else {}
        row = Alarm(
            condition=condition, place=f"{enclosure or 'front'}/{at.timestamp()}", priority="high",
            state="normal", raised_at=at, began_at=at, value=41.0, peak=41.5, limit=40.0, unit="°C",
            **place,
        )  # fmt: skip
        session.add(row)
        session.flush()
        change = {"before": "normal", "after": "unacknowledged", "by": "the watch", "at": at, "recorded_at": at}
        add_transition(session, row, AlarmTransition(alarm_id=row.id or 0, **change))
    parts.wake.notify()
    return row.id or 0


def state_of(server: Server, alarm: int) -> str:
    with server.house.store.read() as session:
        return get_alarm(session, alarm).state


def is_live(page: Page) -> None:
    expect(page.locator("#pulse")).to_contain_text("live,", timeout=8_000)


def axe_finds(page: Page) -> list:
    return [(one["id"], [node["target"] for node in one["nodes"]][:4]) for one in Axe().run(page)["violations"]]


def test_axe_finds_nothing_on_the_new_pages_in_both_themes(open_page: OpenPage, server: Server) -> None:
    raised(server, "loose", "basking-overheat")
    trial = "/alarms/load/trial?enclosure=hot&condition=basking-overheat&days=2"
    for path in ("/alarms", "/alarms/load", trial, "/sign-in", "/first-owner", "/my-password", "/people"):
        screen = open_page(path)
        if path == "/alarms":
            is_live(screen.page)
        for theme in ("light", "dark"):
            screen.page.emulate_media(color_scheme=theme)
            assert axe_finds(screen.page) == [], (path, theme)
        assert screen.complaints == [], path


@pytest.mark.parametrize("path", ["/alarms", "/sign-in", "/first-owner"])
def test_nothing_is_wider_than_a_small_phone(open_page: OpenPage, path: str) -> None:
    page = open_page(path, width=360, height=740).page
    assert page.evaluate("document.documentElement.scrollWidth") <= 360


def test_an_alarm_is_acknowledged_with_a_note_by_keyboard_alone(open_page: OpenPage, server: Server) -> None:
    first = raised(server, "steady", "basking-overheat", minutes_ago=600)
    second = raised(server, "gap", "basking-overheat", minutes_ago=590)
    screen = open_page("/alarms")
    is_live(screen.page)
    keys = screen.page.keyboard
    screen.page.locator(f"#alarm-{first}").focus()
    keys.press("ArrowDown")
    expect(screen.page.locator(f"#alarm-{second}")).to_be_focused()
    keys.press("ArrowUp")
    keys.press("n")
    keys.type("a lamp was changed")
    assert state_of(server, first) == "unacknowledged", "letters in a note are no keys"
    keys.press("Escape")
    keys.press("a")
    expect(screen.page.locator("#said")).to_have_text(re.compile("acknowledged", re.IGNORECASE))
    card = screen.page.locator(f"#alarm-{first}")
    expect(card).to_contain_text("acknowledged by someone at this computer")
    expect(card).to_be_focused()
    with server.house.store.read() as session:
        assert get_alarm(session, first).note == "a lamp was changed"
    assert screen.complaints == []


def test_an_alarm_comes_by_itself_and_takes_no_note_away(open_page: OpenPage, server: Server) -> None:
    standing = raised(server, "steady", "basking-cold", minutes_ago=500)
    screen = open_page("/alarms")
    is_live(screen.page)
    note = screen.page.locator(f'#alarm-{standing} [name="note"]')
    note.fill("half a sent")
    note.focus()
    new = raised(server, "gap", "retreat-hot")
    expect(screen.page.locator(f"#alarm-{new}")).to_contain_text("Cool end too hot", timeout=5_000)
    expect(note).to_have_value("half a sent")
    expect(note).to_be_focused()
    screen.page.keyboard.type("ence")
    expect(note).to_have_value("half a sentence")


def test_an_alarm_is_shelved_and_taken_off_with_a_thumb(open_page: OpenPage, server: Server) -> None:
    alarm = raised(server, "steady", "night-cold", minutes_ago=400)
    page = open_page("/alarms", width=390, height=844).page
    is_live(page)
    card = page.locator(f"#alarm-{alarm}")
    for button in card.get_by_role("button").all():
        box = button.bounding_box()
        assert box
        assert box["height"] >= 44
    card.locator("select").select_option(label="4 h")
    card.get_by_role("button", name="Shelve").click()
    expect(card).to_have_count(0)
    assert state_of(server, alarm) == "shelved"
    held = page.locator("#held li").filter(has_text="Night too cold")
    expect(held).to_contain_text("Shelved")
    held.get_by_role("button", name="Take off the shelf").click()
    expect(page.locator(f"#alarm-{alarm}")).to_be_visible()
    assert state_of(server, alarm) == "unacknowledged"


def test_a_call_out_on_the_room_page_is_acknowledged_where_it_stands(open_page: OpenPage, server: Server) -> None:
    alarm = raised(server, None, "room-blackout")
    screen = open_page("/")
    is_live(screen.page)
    screen.page.get_by_role("button", name="Show the room").click()
    call = screen.page.locator(".callout").filter(has_text="Most of the room fell silent")
    call.get_by_role("button", name="Acknowledge").click()
    expect(call).to_contain_text("acknowledged by someone at this computer", timeout=5_000)
    expect(call.get_by_role("button")).to_have_count(0)
    assert state_of(server, alarm) == "acknowledged"
    assert screen.complaints == []


def test_an_enclosure_is_taken_out_of_service_and_put_back_on_its_page(open_page: OpenPage) -> None:
    page = open_page("/enclosures/dry").page
    page.get_by_text("Take out of service for a while").click()
    page.get_by_label("Why").fill("cleaning")
    page.get_by_role("button", name="Take out of service").click()
    expect(page.locator("#stand")).to_contain_text("by someone at this computer: cleaning")
    expect(page.locator("#stand")).to_have_class(re.compile("is-resting"))
    page.get_by_role("button", name="Put back into service").click()
    expect(page.locator("#stand")).not_to_have_class(re.compile("is-resting"))


def test_without_scripts_an_alarm_is_acknowledged_all_the_same(chromium: Browser, server: Server) -> None:
    alarm = raised(server, "steady", "heat-at-night", minutes_ago=300)
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{server.url}/alarms")
    card = page.locator(f"#alarm-{alarm}")
    card.get_by_label("Note").fill("looked at")
    card.get_by_role("button", name="Acknowledge").click()
    page.wait_for_url("**/alarms")
    expect(page.locator(f"#alarm-{alarm}")).to_contain_text("acknowledged by")
    assert state_of(server, alarm) == "acknowledged"
    context.close()


@pytest.fixture
def closed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A room with an owner: it asks who comes in."""
    house: Glasshouse = glasshouse(tmp_path_factory.mktemp("closed"), datetime.now(UTC), days=0.1)
    add_account(house.store, "Oda", PASSWORD, Role.OWNER, "test", datetime.now(UTC))
    running = Server(house)
    running.start()
    yield running
    house.parts.wake.close()
    running.stop()
    house.store.close()


def nothing_found_in_both_themes(page: Page) -> None:
    """Look at a page by axe in both themes, and at its width on a small phone."""
    for theme in ("light", "dark"):
        page.emulate_media(color_scheme=theme)
        assert axe_finds(page) == [], (page.url, theme)
    page.set_viewport_size({"width": 360, "height": 740})
    assert page.evaluate("document.documentElement.scrollWidth") <= 360, page.url
    page.set_viewport_size({"width": 1280, "height": 800})


def test_a_person_signs_in_where_they_were_going_and_out_again(chromium: Browser, closed: Server) -> None:
    context = chromium.new_context(reduced_motion="reduce")
    page = context.new_page()
    page.goto(f"{closed.url}/alarms")
    expect(page).to_have_url(f"{closed.url}/sign-in?to=/alarms")
    page.get_by_label("Name").fill("oda")
    page.get_by_label("Password").fill("not the ferns")
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert").first).to_have_text("Name or password is not right.")
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    expect(page).to_have_url(f"{closed.url}/alarms")
    expect(page.locator(".who")).to_contain_text("Oda, owner")
    assert "wardian" not in page.evaluate("document.cookie")
    page.goto(f"{closed.url}/my-password")
    expect(page.get_by_role("heading", name="This browser")).to_be_visible()
    nothing_found_in_both_themes(page)
    page.goto(f"{closed.url}/people")
    page.locator("#invited-name").fill("Rui")
    page.get_by_role("button", name="Make a link").click()
    link = page.locator(".made code").inner_text()
    page.locator(".persons summary").first.click()
    nothing_found_in_both_themes(page)
    page.locator(".who").get_by_role("button", name="Sign out").click()
    expect(page).to_have_url(f"{closed.url}/sign-in")
    page.goto(link)
    expect(page).to_have_url(f"{closed.url}/invitation")
    expect(page.get_by_role("heading", name="Welcome, Rui")).to_be_visible()
    nothing_found_in_both_themes(page)
    page.goto(f"{closed.url}/")
    expect(page).to_have_url(f"{closed.url}/sign-in")
    context.close()
