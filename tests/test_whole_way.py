"""A reading's whole way: `wardian up` on a room file, a probe's messages, an alarm on the Room page."""

import json
import subprocess
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest

from service.ingest.broker_address import BrokerAddress
from service.ingest.embedded_broker import free_port
from tests.builders import publish, publisher, wait_until
from tests.figures_told import figures_at, figures_in_the_guide
from tests.service_process import ServiceProcess

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
lights = { on = "00:01", off = "23:59" }

[[probe]]
id = "a3-spot"
model = "ds18b20"
topic = "probes/a3-spot"
format = "json"
every = 60
time = "/at"

[[probe.channel]]
quantity = "surface_temperature"
pointer = "/temperature"
enclosure = "rack-a-3"
zone = "basking"
"""


@pytest.fixture
def broker_port() -> int:
    return free_port()


@pytest.fixture
def service(tmp_path: Path, broker_port: int) -> Iterator[ServiceProcess]:
    process = ServiceProcess(tmp_path, "embedded", free_port(), WARDIAN_BROKER_LISTEN=f"127.0.0.1:{broker_port}")
    (tmp_path / "room.toml").write_text(ROOM, encoding="utf-8")
    yield process
    process.kill()


def alarms(service: ServiceProcess) -> list[dict]:
    return httpx.get(f"{service.url}/api/v1/alarms").json()["alarms"]


def test_41_degrees_at_a_basking_spot_call_and_return(service: ServiceProcess, broker_port: int) -> None:
    applied = service.command("room", "apply", "room.toml", "--yes")
    assert "rack-a-3" in applied.stdout
    service.start()
    service.wait_ready()
    begin = datetime.now(UTC) - timedelta(minutes=9)
    with publisher(BrokerAddress("127.0.0.1", broker_port)) as probe:

        def say(minute: int, temperature: float) -> None:
            at = (begin + timedelta(minutes=minute)).isoformat()
            publish(probe, "probes/a3-spot", json.dumps({"temperature": temperature, "at": at}))

        say(0, 33.0)
        wait_until(lambda: "33.0" in httpx.get(f"{service.url}/").text)
        say(1, 44.0)
        say(2, 44.5)
        wait_until(lambda: len(alarms(service)) == 1)
        (alarm,) = alarms(service)
        assert (alarm["condition"], alarm["priority"], alarm["state"]) == ("basking-overheat", "high", "unacknowledged")
        page = httpx.get(f"{service.url}/").text
        assert "Day geckos 3" in page
        assert "44.5" in page
        assert "high-limit cut-out" in page
        for minute in range(3, 7):
            say(minute, 33.0)
        wait_until(lambda: alarms(service)[0]["state"] == "returned, unacknowledged")
    assert figures_at(service.url) == figures_in_the_guide()
    assert service.stop() == 0
    assert "Traceback" not in service.log()
    assert f"alarm={alarm['id']} condition=basking-overheat" in service.log()


def test_the_readmes_line_reaches_the_room(
    service: ServiceProcess, broker_port: int, program: Callable[[str], str]
) -> None:
    service.command("room", "apply", "room.toml", "--yes")
    service.start()
    service.wait_ready()
    line = [
        program("mosquitto_pub"),
        "-p",
        str(broker_port),
        "-q",
        "1",
        "-t",
        "probes/a3-spot",
        "-m",
        '{"temperature": 34.5}',
    ]
    subprocess.run(line, check=True, timeout=20)
    wait_until(lambda: "34.5" in httpx.get(f"{service.url}/").text)


def test_commands_say_in_a_sentence_what_is_wrong(service: ServiceProcess, tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text(ROOM.replace('"basking"', '"baskin"'), encoding="utf-8")
    checked = service.command("room", "check", "bad.toml", check=False)
    assert checked.returncode == 1
    assert "bad.toml:29" in checked.stderr
    assert "basking" in checked.stderr
    missing = service.command("room", "check", "nowhere.toml", check=False)
    assert missing.returncode in {1, 2}
    assert "nowhere.toml" in missing.stderr
    asked = service.command("room", "apply", "room.toml", check=False)
    assert asked.returncode == 2
    assert "--yes" in asked.stderr
    for answer in (checked, missing, asked):
        assert "Traceback" not in answer.stderr


@pytest.mark.parametrize(
    ("setting", "value"),
    [
        ("WARDIAN_WEB", "0.0.0.0:8780"),
        ("WARDIAN_BROKER_LISTEN", "0.0.0.0:1883"),
        ("WARDIAN_BROKER", "http://broker"),
        ("WARDIAN_DATABASE", "mysql://x/y"),
        ("WARDIAN_WEB", "8780"),
    ],
)
def test_a_setting_that_cannot_be_is_named_and_nothing_starts(tmp_path: Path, setting: str, value: str) -> None:
    process = ServiceProcess(tmp_path, "embedded", free_port(), **{setting: value})
    refused = process.command("up", check=False)
    assert refused.returncode == 2
    assert setting in refused.stderr
    assert "Traceback" not in refused.stderr


def test_what_an_empty_room_exports_and_imports_round_trips(service: ServiceProcess, tmp_path: Path) -> None:
    service.command("room", "apply", "room.toml", "--yes")
    (tmp_path / "again.toml").write_text(service.command("room", "export").stdout, encoding="utf-8")
    assert "changes nothing" in service.command("room", "apply", "again.toml", "--yes").stdout
    (tmp_path / "old.csv").write_text(
        "time,probe,quantity,value\n2026-03-01T12:00:00.000+00:00,a3-spot,surface_temperature,33.5\n", encoding="utf-8"
    )
    assert "1 taken" in service.command("readings", "import", "old.csv").stdout
    assert service.command("readings", "export").stdout == (tmp_path / "old.csv").read_text(encoding="utf-8")
