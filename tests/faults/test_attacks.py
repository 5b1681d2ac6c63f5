"""What a network may do to the service: malformed messages, half-open requests, crowds, floods."""

import asyncio
import contextlib
import json
import random
import socket
import sqlite3
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime

import httpx
import paho.mqtt.client as mqtt
import pytest
from prometheus_client.parser import text_string_to_metric_families

from service.ingest.broker_address import BrokerAddress
from service.ingest.embedded_broker import free_port
from tests.builders import publish, publisher, wait_until
from tests.mosquitto import Mosquitto
from tests.service_process import ServiceProcess

pytestmark = pytest.mark.faults

HALF_OPEN = 300
LISTENERS = 1_000
FLOOD = 20_000
CROWD = 50
ROOM = """
[site]
name = "North house"
timezone = "UTC"

[[room]]
id = "front"

[[enclosure]]
id = "rack-a-3"
name = "Day geckos 3"
room = "front"
place = { rack = "A", level = 2, slot = 3 }
profile = "phelsuma-grandis"
lights = { on = "07:00", off = "19:00" }
"""
PROBE = """
[[probe]]
id = "{key}"
model = "ds18b20"
topic = "probes/{key}"
format = "json"
time = "/at"

[[probe.channel]]
quantity = "{quantity}"
pointer = "/t"
enclosure = "rack-a-3"
zone = "{zone}"
"""


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory, program: object) -> Iterator[ServiceProcess]:
    folder = tmp_path_factory.mktemp("attacked")
    broker = Mosquitto(program("mosquitto"), folder / "mosquitto", free_port())
    broker.start()
    process = ServiceProcess(folder, f"mqtt://127.0.0.1:{broker.port}", free_port())
    process.broker = BrokerAddress("127.0.0.1", broker.port)
    probes = ("quiet", "basking"), ("loud", "ambient")
    room = ROOM + "".join(PROBE.format(key=key, quantity="air_temperature", zone=zone) for key, zone in probes)
    (folder / "room.toml").write_text(room, encoding="utf-8")
    process.command("room", "apply", "room.toml", "--yes")
    process.start()
    process.wait_ready()
    yield process
    assert process.stop() == 0
    broker.stop()


def _metric(service: ServiceProcess, name: str) -> float:
    text = httpx.get(f"{service.url}/metrics", timeout=10).text
    return sum(
        sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
        if sample.name == name
    )


def _say(client: mqtt.Client, probe: str, value: float) -> None:
    publish(client, f"probes/{probe}", json.dumps({"t": value, "at": datetime.now(UTC).isoformat()}))


def _is_shown(service: ServiceProcess, value: str) -> bool:
    return value in httpx.get(f"{service.url}/enclosures/rack-a-3", timeout=10).text


def _malformed(dice: random.Random) -> tuple[str, bytes]:
    """Return a message that is none: broken JSON, numbers that are none, binary, deep, huge, hostile."""
    kinds = (
        lambda: b'{"t": ' + dice.randbytes(12),
        lambda: b'{"t": "NaN", "at": "2026-13-45T99:00:00Z"}',
        lambda: b'{"t": 1e999, "at": 5}',
        lambda: dice.randbytes(dice.randrange(200)),
        lambda: b"[" * dice.randrange(1, 3000),
        lambda: b'{"t": {"t": [' + b"1," * 200 + b"]}}",
        lambda: b"'; DROP TABLE reading; --",
        lambda: b'<script>alert(1)</script>{"t": 3}',
        lambda: b"",
    )
    topic = dice.choice(["probes/loud", "probes/loud", "nobody/" + str(dice.randrange(500)), "wild/<b>&'\"/;--"])
    return topic, dice.choice(kinds)()


def test_malformed_messages_are_kept_or_counted_and_hold_up_no_other(service: ServiceProcess, malformed: int) -> None:
    dice = random.Random(7)  # noqa: S311 - the same messages in each run
    with publisher(service.broker) as client:
        for number in range(malformed):
            sent = client.publish(*_malformed(dice), qos=1)
            if number % 10_000 == 0:
                sent.wait_for_publish(60)  # MQTT numbers 65,535 messages on their way at most
        _say(client, "quiet", 31.5)
    wait_until(lambda: _is_shown(service, "31.5"), 60)
    assert _kept(service) >= malformed
    assert service.is_running()


def _kept(service: ServiceProcess) -> int:
    """Return how many messages are counted as refused for a reason or as nobody's; one may have two reasons."""
    with sqlite3.connect(service.database.removeprefix("sqlite:///")) as connection:
        counts = "SELECT (SELECT sum(count) FROM refused_topic) + (SELECT sum(count) FROM unclaimed_source)"
        kept = int(connection.execute(counts).fetchone()[0])
    connection.close()
    return kept


def test_half_open_requests_hold_up_no_other(service: ServiceProcess) -> None:
    port = int(service.url.rsplit(":", 1)[1])
    with contextlib.ExitStack() as stack:
        for _ in range(HALF_OPEN):
            held = stack.enter_context(closing(socket.create_connection(("127.0.0.1", port), 10)))
            held.sendall(b"POST /api/v1/readings HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 900\r\nX-Slow: ")
        assert httpx.get(f"{service.url}/", timeout=10).status_code == httpx.codes.OK


@pytest.mark.parametrize("announced", [True, False], ids=["announced", "chunked"])
def test_a_body_that_is_too_large_is_refused_before_it_is_read_whole(service: ServiceProcess, announced: bool) -> None:
    piece = b"x" * 65_536
    body = piece * 1_024 if announced else (piece for _ in range(1_024))
    try:
        answer = httpx.post(
            f"{service.url}/api/v1/readings", content=body, headers={"Content-Type": "application/json"}, timeout=30
        )
    except httpx.WriteError:
        return  # it was not even read to its end
    assert answer.status_code == httpx.codes.REQUEST_ENTITY_TOO_LARGE


async def _listen(
    client: httpx.AsyncClient, url: str, joined: list[int], heard: list[int], everybody: asyncio.Event
) -> None:
    async with client.stream("GET", f"{url}/api/v1/live") as stream:
        joined.append(stream.status_code)
        if len(joined) == LISTENERS:
            everybody.set()
        async for line in stream.aiter_lines():
            if "29.75" in line:
                heard.append(1)
                return


async def test_a_thousand_listeners_each_hear_of_a_reading(service: ServiceProcess) -> None:
    joined: list[int] = []
    heard: list[int] = []
    everybody = asyncio.Event()
    limits = httpx.Limits(max_connections=None)
    async with httpx.AsyncClient(timeout=60, limits=limits) as client:
        tasks = [asyncio.create_task(_listen(client, service.url, joined, heard, everybody)) for _ in range(LISTENERS)]
        async with asyncio.timeout(60):
            await everybody.wait()
        assert set(joined) == {httpx.codes.OK}
        with publisher(service.broker) as probe:
            await asyncio.to_thread(_say, probe, "quiet", 29.75)
        async with asyncio.timeout(60):
            await asyncio.gather(*tasks)
    assert len(heard) == LISTENERS


def test_a_flood_from_one_probe_does_not_starve_another(service: ServiceProcess) -> None:
    stored = _metric(service, "wardian_readings_stored_total")
    with publisher(service.broker) as loud, publisher_named(service.broker, "another") as quiet:
        begin = int(datetime.now(UTC).timestamp() * 1000) - FLOOD
        for number in range(FLOOD):
            last = loud.publish("probes/loud", json.dumps({"t": 25.0, "at": begin + number}), qos=1)
        _say(quiet, "quiet", 33.0)
        wait_until(lambda: _is_shown(service, "33.0"), 20)
        last.wait_for_publish(60)
    wait_until(lambda: _metric(service, "wardian_readings_stored_total") - stored == FLOOD + 1, 60)


def test_a_flood_by_http_from_one_key_starves_neither_a_quiet_probe_nor_a_page(service: ServiceProcess) -> None:
    key = service.command("token", "add", "loud", "--scope", "readings:write").stdout.split()[-1]
    done, told = threading.Event(), Counter[int]()
    flood = [threading.Thread(target=_flood, args=(service.url, key, number, done, told)) for number in range(CROWD)]
    for one in flood:
        one.start()
    try:
        wait_until(lambda: told[httpx.codes.OK] > CROWD, 60)
        before = told.total()
        with publisher(service.broker) as quiet:
            _say(quiet, "quiet", 30.25)
        wait_until(lambda: _is_shown(service, "30.2"), 20)
        assert service.is_running()
    finally:
        done.set()
        for one in flood:
            one.join()
    assert told.total() > before, "the flood went on meanwhile"
    assert set(told) <= {httpx.codes.OK, httpx.codes.SERVICE_UNAVAILABLE, httpx.codes.TOO_MANY_REQUESTS}


def _flood(url: str, key: str, number: int, done: threading.Event, told: Counter[int]) -> None:
    """Post readings as fast as they are taken."""
    at_s = datetime.now(UTC).timestamp() - 40_000 * (number + 1)
    with httpx.Client(base_url=url, headers={"Authorization": f"Bearer {key}"}, timeout=60) as client:
        while not done.is_set():
            at_s += 500
            times = [datetime.fromtimestamp(at_s + second, UTC).isoformat() for second in range(500)]
            readings = [{"probe": "loud", "quantity": "air_temperature", "value": 25.0, "at": at} for at in times]
            told[client.post("/api/v1/readings", json={"readings": readings}).status_code] += 1


@contextlib.contextmanager
def publisher_named(address: BrokerAddress, name: str) -> Iterator[mqtt.Client]:
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=name)
    client.connect(address.host, address.port)
    client.loop_start()
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()
