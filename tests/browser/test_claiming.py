"""Probes that were never seen before are claimed in a real browser, over a real broker."""

import json
import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest
from axe_core_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from service.ingest.broker_address import BrokerAddress
from service.ingest.intake import Intake
from service.ingest.subscriber import Subscriber
from service.main import now_ms
from service.store.facts import load_facts
from service.store.intake import receipts
from service.store.readings import read_readings
from tests.browser.conftest import Screen, Server
from tests.builders import publish, publisher, wait_until
from tests.dashboard.glasshouse import Glasshouse, bare_house
from tests.empty_store import sqlite_store

pytestmark = pytest.mark.browser
TWO_SECONDS = 2_000
PACK = [
    {"bn": "urn:dev:ow:10e2073a01080063:", "n": "temp", "u": "Cel", "v": 31.5},
    {"n": "rh", "u": "%RH", "v": 48},
]


def both(first: float, second: float) -> str:
    probes = [{"id": "c4-01", "tempF": first, "hum": "61", "batt": 88}, {"id": "c4-02", "tempF": second, "hum": "40"}]
    return json.dumps({"gw": "north", "probes": probes})


@pytest.fixture
def heard(server: Server, embedded_broker: BrokerAddress) -> Iterator[BrokerAddress]:
    """The ear beside the web server, as `wardian up` has it."""
    with listening(server.house, embedded_broker):
        yield embedded_broker


@contextmanager
def listening(house: Glasshouse, broker: BrokerAddress) -> Iterator[None]:
    """Hear a broker for a while."""
    stop = threading.Event()
    intake = Intake(house.store, 500)

    def noted(name: str) -> list:
        with house.store.read() as session:
            return receipts(session, name)

    ear = Subscriber(
        broker,
        "wardian-claiming",
        intake.take,
        receipts=noted,
        committed=house.parts.wake.notify,
        now_ms=now_ms,
    )
    thread = threading.Thread(target=ear.run, args=(stop,))
    thread.start()
    wait_until(lambda: ear.connection.connected)
    yield
    stop.set()
    thread.join(10)


def values_of(server: Server, channel: str) -> list[float]:
    with server.house.store.read() as session:
        found = read_readings(session, load_facts(session).channel_by_key[channel].id, 0)
    return found.value.round(1).tolist()


def claim(page: Page, key: str, zone: str, reads: str, stored: str) -> None:
    expect(page.locator(".previews li").first).to_contain_text(reads)
    page.get_by_label("Its id here").fill(key)
    page.get_by_label("Sensing element").select_option("sht31")
    page.locator("[name=enclosure]").select_option("steady")
    page.locator("[name=zone]").select_option(zone)
    page.get_by_role("button", name="Claim").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(key)
    expect(page.get_by_role("status").first).to_contain_text(stored)


def test_a_pack_and_a_gateway_never_seen_before_are_claimed_and_what_they_said_is_stored(
    open_page: Callable[..., Screen], server: Server, heard: BrokerAddress, tmp_path: Path
) -> None:
    screen = open_page("/probes")
    page = screen.page
    unclaimed = page.locator("#unclaimed li:not(.nothing)")
    expect(unclaimed).to_have_count(0)
    with publisher(heard) as client:
        publish(client, "new/pack", json.dumps(PACK))
        expect(unclaimed).to_have_count(1, timeout=TWO_SECONDS)
        expect(unclaimed).to_contain_text("urn:dev:ow:10e2073a01080063:")
        publish(client, "gateway/north", both(75.2, 95.0))
        publish(client, "gateway/north", both(77.0, 96.8))
        expect(unclaimed).to_have_count(2, timeout=TWO_SECONDS)
        expect(page.locator("#unclaimed")).to_contain_text("2 times")
        assert Axe().run(page)["violations"] == []

        unclaimed.filter(has_text="new/pack").get_by_role("link", name="Claim").click()
        claim(page, "pack-1", "basking", "Air temperature 31.5 °C · Relative humidity 48 %RH", "2 readings")
        assert values_of(server, "pack-1/air_temperature") == [31.5]

        page.goto(f"{server.url}/probes")
        unclaimed.filter(has_text="gateway/north").get_by_role("link", name="Claim").click()
        expect(page.locator(".names a")).to_have_text(["c4-01", "c4-02"])
        expect(page.locator(".claim-places")).to_contain_text("its name says °F")
        assert Axe().run(page)["violations"] == []
        claim(page, "gw-1", "ambient", "Air temperature 25.0 °C", "6 readings")
        assert values_of(server, "gw-1/air_temperature") == [24.0, 25.0]

        page.goto(f"{server.url}/probes")
        expect(unclaimed).to_have_count(1)
        expect(unclaimed).to_contain_text("c4-02")
        unclaimed.get_by_role("link", name="Claim").click()
        claim(page, "gw-2", "cool-end", "Air temperature 36.0 °C", "4 readings")
        publish(client, "gateway/north", both(78.8, 98.6))
        wait_until(lambda: values_of(server, "gw-2/air_temperature") == [35.0, 36.0, 37.0])
        assert values_of(server, "gw-1/air_temperature") == [24.0, 25.0, 26.0]

    # Two taps: the zone in the drawing, and the confirmation.
    page.get_by_role("link", name=re.compile("Move to Retreat")).click()
    page.get_by_role("button", name="Move gw-2 to Retreat of Day geckos 1").click()
    expect(page.locator(".probe-now")).to_contain_text("Day geckos 1, Retreat")
    assert Axe().run(page)["violations"] == []
    with server.house.store.read() as session:
        places = load_facts(session).channel_by_key["gw-2/air_temperature"].placements
    assert [place.zone for place in places] == ["cool-end", "retreat"]
    page.goto(f"{server.url}/probes")
    expect(unclaimed).to_have_count(0)
    assert screen.complaints == []


@pytest.fixture
def empty_site(tmp_path: Path, embedded_broker: BrokerAddress) -> Iterator[Server]:
    """A site of which nothing is known yet, and what hears its probes."""
    house = bare_house(sqlite_store(tmp_path / "wardian.db"), tmp_path, datetime.now(UTC))
    object.__setattr__(house.parts, "now", lambda: datetime.now(UTC))
    running = Server(house)
    running.start()
    with listening(house, embedded_broker):
        yield running
    house.parts.wake.close()
    running.stop()
    house.store.close()


def test_an_empty_site_leads_to_its_first_live_tile_without_the_manual(
    chromium: Browser, empty_site: Server, embedded_broker: BrokerAddress
) -> None:
    context = chromium.new_context(viewport={"width": 390, "height": 844}, reduced_motion="reduce")
    page: Page = context.new_page()
    page.goto(empty_site.url)
    page.get_by_role("link", name="Set up", exact=True).last.click()
    page.get_by_label("What the place is called").fill("North house")
    page.get_by_label("Its time zone").fill("Europe/Lisbon")
    page.get_by_role("button", name="Go on").click()
    page.get_by_role("link", name="Set up the first enclosure").click()
    page.get_by_label("What its door says").fill("Day geckos 1")
    page.get_by_label("Profile").select_option("phelsuma-grandis")
    page.get_by_role("button", name="Add it").click()
    expect(page.get_by_role("heading", name="Now a probe")).to_be_visible()
    page.get_by_role("link", name="To the probes").click()
    with publisher(embedded_broker) as probe:
        publish(probe, "garden/first", json.dumps({"temp_c": 31.5, "hum": 64}).encode())
        page.get_by_role("link", name="garden/first").click(timeout=10_000)
        expect(page.locator("[name=enclosure]")).to_have_value("day-geckos-1")
        page.locator("[name=zone]").select_option("basking")
        page.get_by_label("Sensing element").select_option("sht31")
        page.get_by_role("button", name="Claim").click()
        expect(page.get_by_role("status").first).to_be_visible()
        page.get_by_role("link", name="See Day geckos 1 live").click()
        publish(probe, "garden/first", json.dumps({"temp_c": 32.5, "hum": 63}).encode())
        expect(page.locator("main")).to_contain_text("32.5", timeout=10_000)
    page.goto(empty_site.url)
    expect(page.locator("#tile-day-geckos-1")).to_contain_text("32.5")
    page.goto(f"{empty_site.url}/set-up")
    expect(page.locator(".steps .is-done")).to_have_count(3)
    context.close()
