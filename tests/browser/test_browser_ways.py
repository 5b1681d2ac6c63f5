"""Every page by axe in both themes, and the journeys: a trial, a note without a network, a wall."""

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from axe_core_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect
from sqlmodel import select

from service.model import JournalEntry, ProfileVersion, Site, to_ms
from service.people.roles import Doors
from service.people.tokens import KeyScope, make_key, revoke_key
from service.store.animals import add_animal
from service.store.clutches import ClutchTerms, NewClutch, add_clutch
from service.store.readings import add_readings, next_number
from service.store.tokens import tokens
from tests.api.access_table import ACCESS
from tests.browser.conftest import Screen, Server
from tests.browser.hanging import hanging_way
from tests.builders import wait_until

pytestmark = pytest.mark.browser
OpenPage = Callable[..., Screen]
PAGES = {
    "/alarms": ("/alarms",),
    "/alarms/load": ("/alarms/load",),
    "/profiles": ("/profiles",),
    "/profiles/{key}": ("/profiles/sun-lizard",),
    "/profiles/{key}/edit": ("/profiles/sun-lizard/edit",),
    "/new-profile": ("/new-profile?from=pogona-vitticeps",),
    "/care": ("/care",),
    "/set-up": ("/set-up",),
    "/set-up/enclosure": ("/set-up/enclosure",),
    "/set-up/enclosures/{key}": ("/set-up/enclosures/hot",),
    "/search": ("/search?q=geck", "/search?q=zzz"),
    "/people": ("/people",),
    "/people/keys": ("/people/keys",),
    "/labels": ("/labels",),
    "/d/{key}": ("/d/hot",),
    "/about": ("/about",),
    "/wall": ("/wall",),
    "/telling": ("/telling",),
    "/probes": ("/probes",),
    "/probes/{key}": ("/probes/gap-air",),
    "/probes/{key}/edit": ("/probes/gap-air/edit",),
    "/new-probe": ("/new-probe",),
    "/calibration": ("/calibration",),
    "/animals": ("/animals",),
    "/animals/{name}": ("/animals/Amber",),
    "/clutches": ("/clutches",),
    "/clutches/{name}": ("/clutches/A1",),
    "/journal": ("/journal",),
    "/look-back": ("/look-back", "/look-back?of=enclosure:hot"),
    "/compare": ("/compare", "/compare?a=hot&b=steady"),
    "/enclosures/{key}/table": ("/enclosures/steady/table",),
}
"""Looked at by axe here: each page's route, and where it is asked for."""
ELSEWHERE = {
    "/": "test_browser_screens",
    "/enclosures/{key}": "test_browser_screens",
    "/enclosures/{key}/days": "test_browser_days",
    "/enclosures/{key}/days/{day}": "test_browser_days",
    "/enclosures/{key}/misting": "test_browser_days",
    "/enclosures/{key}/typical-day": "test_browser_days",
    "/enclosures/{key}/rain-response": "test_browser_days",
    "/alarms/load/trial": "test_browser_alarms",
    "/alarms/{alarm_id}": "test_browser_telling",
    "/sign-in": "test_browser_alarms",
    "/first-owner": "test_browser_alarms",
    "/my-password": "test_browser_alarms",
    "/invitation": "test_browser_alarms",
    "/calibration/{probe}/{quantity}": "test_browser_calibration",
    "/reference-checks/{number}": "test_browser_calibration",
    "/unclaimed/{source_id}": "test_claiming",
}
"""Looked at by axe in the journey that leads to them."""
NO_PAGES = (
    "/api/", "/fragments/", "/static/", "/healthz", "/readyz", "/metrics", "/enclosures/{key}/figure",
    "/enclosures/{key}/readings.csv", "/look-back/report.{form}", "/labels/{number}.svg", "/set-up/room.toml",
    "/wall/{key}", "/invitation/", "/profiles/{key}/trial/{number}",
)  # fmt: skip
"""Data, pieces of pages that are looked at whole, and links that lead on. A trial's page is looked at as it runs."""


@pytest.fixture(scope="module", autouse=True)
def as_a_room_file_has_it(server: Server) -> None:
    """Bring the room's profile into the form that a room file gives it."""
    with server.house.store.write() as session:
        version = session.get_one(ProfileVersion, 1)
        targets = [{"low": None, "high": None, "share": None} | target for target in version.body["target"]]
        version.body = {"target": targets, "season": [], "notes": ""}
        session.add(version)
        next_number(session, "facts")
        now = datetime.now(UTC)
        amber = add_animal(session, "Amber", "Lacerta exempli", 1, "keeper", now)
        terms = ClutchTerms(8, 15.0, 150.0, 180.0, "made up for this test")
        new = NewClutch("A1", "Lacerta exempli", now - timedelta(days=3), terms, 1, mother_id=amber.id)
        add_clutch(session, new, "keeper", now)


def test_no_page_is_left_out() -> None:
    # The table names every route of the application: a sweep of its own compares them.
    routes = {route.removeprefix("GET ") for route in ACCESS if route.startswith("GET ")}
    pages = {route for route in routes if not route.startswith(NO_PAGES)}
    assert pages == PAGES.keys() | ELSEWHERE.keys()
    for route, module in ELSEWHERE.items():
        text = (Path(__file__).parent / f"{module}.py").read_text("utf-8")
        fixed = route.split("{", maxsplit=1)[0].rsplit("/", 1)[-1] or route.split("/")[1]
        assert fixed in text, route
        assert "Axe().run" in text, route


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_axe_finds_nothing_on_any_page_and_none_is_wider_than_a_phone(open_page: OpenPage, theme: str) -> None:
    screen = open_page("/about", theme=theme, width=1280)
    page, found = screen.page, {}
    # What stands on a page is the same in both themes: in the second, only its colours are new.
    rules = None if theme == "light" else {"runOnly": ["color-contrast"]}
    for path in (address for addresses in PAGES.values() for address in addresses):
        page.set_viewport_size({"width": 1280, "height": 800})
        page.goto(page.url.split("/", 3)[0] + "//" + page.url.split("/", 3)[2] + path, wait_until="load")
        said = [
            (one["id"], [node["target"] for node in one["nodes"]][:3])
            for one in Axe().run(page, options=rules)["violations"]
        ]
        too_wide = []
        # A small phone, and a desk whose letters are twice as large; a theme changes no width.
        for width, height in ((360, 740), (640, 400)) if theme == "light" else ():
            page.set_viewport_size({"width": width, "height": height})
            if page.evaluate("document.scrollingElement.scrollWidth") > width:
                too_wide.append(width)
        if said or too_wide or page.evaluate("document.getAnimations().length"):
            found[path] = (said, too_wide)
    assert found == {}
    assert screen.complaints == []


def test_a_draft_is_drawn_while_it_is_written_and_tried_before_it_is_saved(open_page: OpenPage, server: Server) -> None:
    screen = open_page("/profiles/sun-lizard/edit")
    page = screen.page
    page.locator("#edit-hot-spot input").first.fill("36.5")
    expect(page.locator("#profile-doubts")).to_contain_text("above", timeout=4_000)
    page.locator("#edit-hot-spot input").nth(1).fill("39")
    expect(page.locator("#profile-day")).to_contain_text("36.5–39.0", timeout=4_000)
    page.get_by_label("days, 1 to 90").fill("2")
    page.get_by_role("button", name="Try the draft").click()
    page.wait_for_url("**/trial/*")
    expect(page.locator("#trial .day-verdict")).to_contain_text("On 7 enclosures over 2 days", timeout=60_000)
    assert page.locator(".tried-days tbody tr").count() == 14
    assert Axe().run(page)["violations"] == []
    page.get_by_role("button", name="Save as a new version").click()
    page.wait_for_url("**/profiles/sun-lizard")
    expect(page.locator(".versions")).to_contain_text("31 to 36 °C becomes 36.5 to 39 °C")
    assert screen.complaints == []
    with server.house.store.read() as session:
        assert len(server.house.parts.facts(session).profile_versions["sun-lizard"]) == 2


def test_a_note_without_a_network_waits_on_the_phone_and_arrives_once(open_page: OpenPage, server: Server) -> None:
    page = open_page("/enclosures/steady", width=390, height=844).page
    expect(page.locator("#pulse")).to_contain_text("live,", timeout=8_000)
    page.context.set_offline(True)
    page.locator(".note-keys summary").click()
    page.get_by_role("button", name="fed", exact=True).click()
    expect(page.locator("#waits")).to_contain_text("A note waits on this phone", timeout=5_000)
    assert _noted(server) == []
    page.context.set_offline(False)
    expect(page.locator("#waits")).to_contain_text("Noted: fed", timeout=10_000)
    # As if the answer had been lost: the same note is sent again.
    (entry,) = _noted(server)
    body = f"kind=fed&at={entry.from_at.isoformat(timespec='milliseconds').replace('+00:00', 'Z')}"
    page.evaluate(
        "([body]) => { const note = { id: 'again', at: '', said: 'fed', address: '/enclosures/steady/notes', body };"
        " localStorage.setItem('wardian-outbox', JSON.stringify([note])); window.dispatchEvent(new Event('focus')); }",
        [body],
    )
    wait_until(lambda: page.evaluate("localStorage.getItem('wardian-outbox')") == "[]")
    assert [(one.kind, one.entered_by) for one in _noted(server)] == [("fed", "someone at this computer")]


def _noted(server: Server) -> list[JournalEntry]:
    with server.house.store.read() as session:
        return list(session.exec(select(JournalEntry)))


def test_a_wall_comes_back_by_itself_and_never_shows_the_old_as_live(open_page: OpenPage, server: Server) -> None:
    now = datetime.now(UTC)
    key = make_key(server.house.store, "office wall", [KeyScope.WALL], "a test", now).secret
    page = open_page(f"/wall/{key}", width=1920, height=1080).page
    page.wait_for_url("**/wall")
    expect(page.locator("#pulse")).to_contain_text("live,", timeout=8_000)
    assert page.evaluate("document.documentElement.scrollHeight") <= 1080
    assert page.locator("form, .ways, .foot a, .tile[href]").count() == 0
    cover = page.locator("#cover")
    server.stop()
    expect(cover).to_contain_text(re.compile(r"Not live since \d\d:\d\d"), timeout=20_000)
    with server.house.store.write() as session:
        add_readings(session, [(server.house.channels["gap/surface_temperature"], to_ms(datetime.now(UTC)), 27.7, 1)])
    server.start()
    expect(cover).to_be_hidden(timeout=15_000)
    expect(page.locator("#tile-gap .figure")).to_contain_text("27.7", timeout=5_000)
    # The computer sleeps: its clock goes on, the page does not.
    page.evaluate("() => { const real = Date.now; Date.now = () => real() + 3_600_000; }")
    page.evaluate("() => window.dispatchEvent(new Event('focus'))")
    expect(cover).to_contain_text("Not live since")
    expect(cover).to_be_hidden(timeout=10_000)


# Passes a time in which the service was silent: no test should wait for it.
_SILENCE = "() => { const before = Date.now; Date.now = () => before() + 13_000; }"


def test_a_wall_whose_connection_hangs_is_covered_until_the_present_is_shown(chromium: Browser, server: Server) -> None:
    now = datetime.now(UTC)
    key = make_key(server.house.store, "hall wall", [KeyScope.WALL], "a test", now).secret
    context = chromium.new_context(viewport={"width": 1920, "height": 1080}, reduced_motion="reduce")
    with hanging_way(server.port) as way:
        page = context.new_page()
        page.goto(f"http://127.0.0.1:{way.port}/wall/{key}", wait_until="load")
        expect(page.locator("#pulse")).to_contain_text("live,", timeout=8_000)
        page.evaluate("document.getElementById('date').textContent = 'yesterday'")
        way.hang()
        with server.house.store.write() as session:
            row = (server.house.channels["gap/surface_temperature"], to_ms(datetime.now(UTC)), 26.6, 1)
            add_readings(session, [row])
        server.house.parts.wake.notify()
        page.evaluate(_SILENCE)
        expect(page.locator("#cover")).to_contain_text(re.compile(r"Not live since \d\d:\d\d"), timeout=5_000)
        way.flow()
        page.evaluate(_SILENCE)
        # As soon as the cover is gone, all beneath it is the present: its figures, and its date.
        expect(page.locator("#cover")).to_be_hidden(timeout=20_000)
        assert "26.6" in page.locator("#tile-gap .figure").inner_text()
        assert page.locator("#date").inner_text() != "yesterday"
        page.context.set_offline(True)
        page.evaluate(_SILENCE)
        expect(page.locator("#cover")).to_contain_text("This screen has no network", timeout=5_000)
        page.context.set_offline(False)
        expect(page.locator("#cover")).to_be_hidden(timeout=20_000)
    context.close()


# Passes the minute after which a page asks for everything again.
_SHORT_MINUTES = """(() => {
  const real = window.setInterval;
  window.setInterval = (act, after) => real(act, after === 60_000 ? 400 : after);
})()"""


def test_a_wall_whose_key_is_revoked_says_so_and_shows_nothing_of_the_room(open_page: OpenPage, server: Server) -> None:
    store, parts, now = server.house.store, server.house.parts, datetime.now(UTC)
    key = make_key(store, "a lent screen", [KeyScope.WALL], "a test", now)
    doors = parts.doors
    object.__setattr__(parts, "doors", Doors(opens_as=None))
    try:
        page = open_page(f"/wall/{key.secret}").page
        expect(page.locator("#pulse")).to_contain_text("live,", timeout=8_000)
        expect(page.locator(".tile")).to_have_count(8)
        with store.read() as session:
            number = next(row.id or 0 for row in tokens(session) if row.name == "a lent screen")
        revoke_key(store, number, "a test", now)
        parts.left.notify()
        expect(page.get_by_role("heading", name="This link opens nothing")).to_be_visible(timeout=10_000)
        expect(page.locator("main")).to_contain_text("nothing of the room is shown here")
        expect(page.locator(".tile")).to_have_count(0)
    finally:
        object.__setattr__(parts, "doors", doors)


def test_a_wall_follows_the_degrees_and_the_zone_that_are_chosen_while_it_hangs(
    open_page: OpenPage, server: Server
) -> None:
    page = open_page("/about").page
    page.add_init_script(_SHORT_MINUTES)
    page.goto(f"{server.url}/wall")
    expect(page.locator("#pulse")).to_contain_text("live,", timeout=8_000)
    # High alarms stand above the racks; their figures are of the room too.
    expect(page.locator("#calls")).to_contain_text("°C")
    page.context.add_cookies([{"name": "wardian-degrees", "value": "F", "url": server.url}])
    for part in ("#calls", "#tile-steady .figure", "#needs-you"):
        expect(page.locator(part)).to_contain_text("°F", timeout=5_000)
        assert "°C" not in page.locator(part).inner_text()
    _move_to(server, "Pacific/Auckland")
    try:
        expect(page.locator("body")).to_have_attribute("data-zone", "Pacific/Auckland", timeout=5_000)
        there = datetime.now(ZoneInfo("Pacific/Auckland"))
        expect(page.locator("#date")).to_contain_text(f"{there:%a} {there.day} {there:%b}")
        expect(page.locator("#pulse")).to_contain_text("live,", timeout=8_000)
    finally:
        _move_to(server, "Europe/Lisbon")


def _move_to(server: Server, zone: str) -> None:
    with server.house.store.write() as session:
        site = session.get_one(Site, 1)
        site.timezone = zone
        session.add(site)
        next_number(session, "facts")


def test_the_strips_of_a_wall_turn_over_at_the_midnight_of_the_site(open_page: OpenPage, server: Server) -> None:
    parts, before = server.house.parts, server.house.parts.now
    today = datetime.now(UTC).astimezone(ZoneInfo("Europe/Lisbon")).replace(hour=0, minute=0, second=0, microsecond=0)
    # Added as wall clocks count: a day has 23 or 25 hours now and then.
    midnight = (today + timedelta(days=1)).astimezone(UTC)
    ahead = [midnight - datetime.now(UTC) - timedelta(minutes=2)]
    object.__setattr__(parts, "now", lambda: datetime.now(UTC) + ahead[0])
    try:
        page = open_page("/about").page
        page.add_init_script(_SHORT_MINUTES)
        page.goto(f"{server.url}/wall")
        expect(page.locator("#pulse")).to_contain_text("live,", timeout=8_000)
        expect(page.locator("#date")).to_contain_text(f"{today:%a} {today.day} {today:%b}")
        assert min(_presents(page)) > 99
        ahead[0] += timedelta(minutes=3)
        with server.house.store.write() as session:
            row = (server.house.channels["gap/surface_temperature"], to_ms(midnight) + 1_000, 26.1, 1)
            add_readings(session, [row])
        parts.wake.notify()
        tomorrow = today + timedelta(days=1)
        expect(page.locator("#date")).to_contain_text(f"{tomorrow:%a} {tomorrow.day} {tomorrow:%b}", timeout=5_000)
        wait_until(lambda: max(_presents(page)) < 1)
        expect(page.locator("#clock")).to_have_text(re.compile("00:0[0-9]"), timeout=8_000)
        # Nothing of the day before is left on the new one.
        assert (page.locator("#tile-gap .trace").get_attribute("d") or "").startswith("M0 ")
        expect(page.locator("#tile-steady .trace")).to_have_count(0)
    finally:
        object.__setattr__(parts, "now", before)


def _presents(page: Page) -> list[float]:
    """Return where on each strip the line of the present is [% of the day]."""
    lines = page.locator(".tile .now").evaluate_all("lines => lines.map(line => parseFloat(line.getAttribute('x')))")
    assert len(lines) == 8
    return lines


def test_the_key_of_the_slash_finds_and_the_arrows_choose(open_page: OpenPage) -> None:
    screen = open_page("/about")
    page = screen.page
    page.keyboard.press("/")
    expect(page.locator("#find")).to_be_focused()
    page.keyboard.type("dg 2")
    expect(page.locator("#find-list [role=option]").first).to_contain_text("Day geckos 2", timeout=4_000)
    page.keyboard.press("ArrowDown")
    expect(page.locator("#found-0")).to_have_attribute("aria-selected", "true")
    assert Axe().run(page)["violations"] == []
    page.keyboard.press("Enter")
    page.wait_for_url("**/enclosures/hot")
    assert screen.complaints == []


def test_a_chart_is_kept_as_a_picture(open_page: OpenPage) -> None:
    screen = open_page("/enclosures/steady")
    expect(screen.page.locator("#chart .main-svg").first).to_be_visible(timeout=15_000)
    with screen.page.expect_download(timeout=15_000) as kept:
        screen.page.get_by_role("button", name="Picture").click()
    assert re.fullmatch(r"steady-\d{4}-\d\d-\d\d\.png", kept.value.suggested_filename)
    assert kept.value.path().read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert screen.complaints == []
