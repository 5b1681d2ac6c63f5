"""The Probes page, the claim's form and a probe's page, as a browser without scripts gets them."""

import asyncio
import re
from html import unescape

import httpx
import pytest
from fastapi import FastAPI

from dashboard.app import create_app
from dashboard.zone_drawing import drawing
from service.ingest.arrivals import Arrival
from service.ingest.intake import Intake
from service.model import ZONES, to_ms
from tests.dashboard.glasshouse import HOSTILE, NOW, Glasshouse, Visitor
from tests.dashboard.test_dashboard_pages import text_of


def sent(app: FastAPI, path: str, **fields: str) -> httpx.Response:
    async def post() -> httpx.Response:
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://wardian.test") as client:
            return await client.post(path, data=fields, headers={"origin": "http://wardian.test"})

    return asyncio.run(post())


def heard(house: Glasshouse, topic: str, payload: bytes) -> None:
    Intake(house.store, 100).take([Arrival(topic, payload, 0, 0, False, False, to_ms(NOW))], "test")


def said(page: str) -> str:
    return text_of(page).replace("\N{NO-BREAK SPACE}", " ")


def test_the_page_lists_every_probe_those_that_need_a_look_first(client: Visitor) -> None:
    drawn = client.get("/probes").text
    page = said(drawn)
    assert page.index("silent-sur") < page.index("Where they stand") < page.index("steady-sur")
    assert "Probe silent" in page
    # In its rack as it stands, within the door of its enclosure.
    door = re.search(
        r'<li class="probe-door col-1 row-\d+"><h4><a href="/enclosures/steady">.*?</ul></li>', drawn, re.DOTALL
    )
    assert door
    assert re.search(r"steady-sur .*Basking spot", said(door[0]))
    assert "every 1 min" in page
    assert "A new probe comes to this list with its first message" in page
    assert "Reference checks" in page


def test_the_enclosure_and_the_alarm_of_a_probe_lead_here(client: Visitor) -> None:
    assert '<a href="/probes/steady-sur">' in client.get("/enclosures/steady").text
    assert '<a href="/probes">How the probes are</a>' in client.get("/alarms").text
    assert client.get("/probes/nowhere").status_code == 404


def test_a_claim_is_previewed_refused_with_the_reason_and_made(house: Glasshouse) -> None:
    app = create_app(house.parts)
    heard(house, f"new/{HOSTILE}", b'{"temp": 75.5, "note": "<script>", "count": 3}')
    heard(house, "probes/x", b"\xff\xfe")
    page = Visitor(app).get("/probes").text
    assert "<script>alert" not in page
    assert HOSTILE in unescape(page)
    form = re.findall(r"/unclaimed/(\d+)", page)[-1]
    shown = Visitor(app).get(f"/unclaimed/{form}").text
    assert "Air temperature 24.2 °C" in said(shown)
    assert "would be deadly in °C" in said(shown)
    fields = {"topic": f"new/{HOSTILE}", "format": "json", "id": "n1", "model": "sht31", "pointer0": "/temp"}
    looked = sent(app, f"/unclaimed/{form}", **fields, quantity0="air_temperature", unit0="K")
    assert "°C (impossible)" in said(looked.text)
    for changes, status, reason in (
        ({"id": "N 1"}, 422, "id: use up to 64"),
        ({"every": "often"}, 422, "every: expected a number"),
        ({"enclosure": "steady"}, 422, "give enclosure and zone together"),
        ({"model": "other"}, 422, "accuracy of air_temperature"),
        ({"id": "steady-sur"}, 409, "there is a probe steady-sur already"),
    ):
        wrong = sent(app, f"/unclaimed/{form}", **(fields | {"quantity0": "air_temperature", "do": "claim"} | changes))
        assert wrong.status_code == status
        assert reason in said(wrong.text)
    placed = {"quantity0": "air_temperature", "unit0": "degF", "enclosure": "steady", "zone": "retreat", "do": "claim"}
    made = sent(app, f"/unclaimed/{form}", **fields, **placed)
    assert (made.status_code, made.headers["location"]) == (303, "/probes/n1?taken=1")
    assert "1 reading that it had sent before is stored" in said(Visitor(app).get("/probes/n1?taken=1").text)
    assert sent(app, f"/unclaimed/{form}", **fields, **placed).status_code == 404


def test_a_zone_is_tapped_and_the_move_confirmed(house: Glasshouse) -> None:
    app = create_app(house.parts)
    page = Visitor(app).get("/probes/steady-sur").text
    assert 'href="/probes/steady-sur?enclosure=steady&amp;to=cool-end"' in page
    asked = Visitor(app).get("/probes/steady-sur?enclosure=steady&to=cool-end").text
    assert "Move steady-sur to Cool end of Day geckos 1 since" in said(asked)
    there = {"enclosure": "steady", "zone": "cool-end"}
    assert sent(app, "/probes/steady-sur/place", **there).status_code == 303
    assert "Day geckos 1, Cool end" in said(Visitor(app).get("/probes/steady-sur").text).replace(" ,", ",")
    again = sent(app, "/probes/steady-sur/place", **there)
    assert (again.status_code, "stands there already" in again.text) == (409, True)
    assert sent(app, "/probes/steady-sur/place", enclosure="steady", zone="attic").status_code == 422


@pytest.mark.parametrize("zone", ZONES)
def test_every_zone_is_drawn_and_leads_to_its_move(zone: str) -> None:
    drawn = drawing({zone: ["a<b", "c", "d"]}, "/x?to=", zone)
    assert f'href="/x?to={zone}"' in drawn
    assert "a&lt;b" in drawn
    assert "+1" in drawn
    assert drawn.count("is-chosen") == 1
