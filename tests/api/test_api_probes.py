"""Probes by the HTTP interface: who speaks unclaimed, a claim, a move, and how each is."""

import json
from datetime import timedelta

import httpx
from api_room import MINUTE, NOW, House

from service.ingest.arrivals import Arrival
from service.ingest.intake import Intake
from service.model import to_ms

OURS = {"x-wardian": "1"}


def heard(house: House, topic: str, *payloads: bytes) -> None:
    intake = Intake(house.store, 100)
    for number, payload in enumerate(payloads):
        at_ms = to_ms(NOW - (len(payloads) - number) * MINUTE)
        intake.take([Arrival(topic, payload, 0, 0, False, False, at_ms)], "test")


async def test_who_speaks_unclaimed_is_listed_proposed_and_claimed(house: House, client: httpx.AsyncClient) -> None:
    heard(house, "new/one", b'{"tempF": 77.0, "rssi": -60}', b'{"tempF": 78.8, "rssi": -61}')
    (source,) = (await client.get("/api/v1/unclaimed")).json()["unclaimed"]
    assert (source["topic"], source["count"], source["called"]) == ("new/one", 2, None)
    detail = (await client.get(f"/api/v1/unclaimed/{source['id']}")).json()
    assert [json.loads(message["payload"])["tempF"] for message in detail["messages"]] == [78.8, 77.0]
    (proposal,) = detail["proposals"]
    assert [(p["pointer"], p["quantity"], p["unit"]) for p in proposal["places"]] == [
        ("/tempF", "air_temperature", "degF"),
        ("/rssi", "signal", None),
    ]
    channels = [
        {"quantity": "air_temperature", "pointer": "/tempF", "unit": "degF", "enclosure": "spare", "zone": "cool-end"},
        {"quantity": "signal", "pointer": "/rssi"},
    ]
    wanted = {"id": "n1", "model": "aht20", "topic": "new/one", "format": "json", "every": 60, "channels": channels}
    claimed = await client.post("/api/v1/probes", json=wanted, headers=OURS)
    assert (claimed.status_code, claimed.json()) == (201, {"id": "n1", "messages": 2, "readings": 4, "refused": 0})
    again = await client.post("/api/v1/probes", json=wanted, headers=OURS)
    assert again.status_code == 409
    assert "there is a probe n1 already" in again.json()["detail"]
    assert (await client.get("/api/v1/unclaimed")).json()["unclaimed"] == []
    assert (await client.get(f"/api/v1/unclaimed/{source['id']}")).status_code == 404
    probe = (await client.get("/api/v1/probes/n1")).json()
    assert (probe["signal"], probe["cadence_declared_ms"], probe["cadence_seen_ms"]) == (-61.0, 60_000, 60_000)
    air = next(c for c in probe["channels"] if c["quantity"] == "air_temperature")
    assert (round(air["value"], 3), air["enclosure"], air["zone"]) == (26.0, "spare", "cool-end")
    assert probe["troubles"] == []


async def test_a_claim_that_cannot_be_is_refused_with_the_reason(house: House, client: httpx.AsyncClient) -> None:
    usual = {"id": "n1", "model": "sht31", "topic": "t", "format": "json"}
    for changes, status, said in (
        ({"channels": []}, 422, "channels"),
        ({"channels": [{"quantity": "power", "pointer": "t"}]}, 422, "write '/t'"),
        ({"channels": [{"quantity": "powr"}]}, 422, "did you mean 'power'"),
        ({"channels": [{"quantity": "power", "pointer": "/t"}], "called": "x"}, 422, "go together"),
    ):
        answer = await client.post("/api/v1/probes", json=usual | changes, headers=OURS)
        assert answer.status_code == status
        assert said in answer.text


async def test_a_probe_is_moved_and_the_past_stays(house: House, client: httpx.AsyncClient) -> None:
    days = "/api/v1/enclosures/rack-a-1/series?zone=basking&from=2026-03-10T10:00:00Z&to=2026-03-10T13:00:00Z"
    before = (await client.get(days)).json()
    house.clock[0] = NOW + timedelta(hours=1)
    there = {"enclosure": "spare", "zone": "retreat"}
    moved = await client.post("/api/v1/probes/a1-spot/place", json=there, headers=OURS)
    assert [(c["enclosure"], c["zone"]) for c in moved.json()["channels"]] == [("spare", "retreat")]
    assert (await client.post("/api/v1/probes/a1-spot/place", json=there, headers=OURS)).status_code == 409
    assert (await client.post("/api/v1/probes/nobody/place", json=there, headers=OURS)).status_code == 404
    for wrong in ({"enclosure": "spare"}, {"enclosure": "none", "zone": "basking"}, there | {"quantities": ["power"]}):
        assert (await client.post("/api/v1/probes/a1-spot/place", json=wrong, headers=OURS)).status_code == 422
    after = (await client.get(days)).json()
    assert len(after["series"][0]["value"]) > 100
    assert after == before


async def test_each_probe_says_what_is_wrong_with_it_and_since_when(house: House, client: httpx.AsyncClient) -> None:
    house.room.alarm("rack-a-1", "probe-stuck", channel_id=house.room.channels["a1-air/air_temperature"])
    page = (await client.get("/api/v1/probes?limit=3")).json()
    troubles = {probe["id"]: [t["condition"] for t in probe["troubles"]] for probe in page["probes"]}
    assert troubles == {"a1-air": ["probe-stuck"], "a1-rh": [], "a1-spot": []}
    rest = (await client.get(f"/api/v1/probes?cursor={page['next']}")).json()
    (silent,) = rest["probes"]
    assert (silent["id"], rest["next"]) == ("a2-spot", None)
    assert [t["condition"] for t in silent["troubles"]] == ["probe-silent"]
    assert silent["troubles"][0]["since"] == silent["last_at"]
