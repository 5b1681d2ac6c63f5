"""Several processes of each part on one PostgreSQL: any of them is killed at any moment, and nothing shows it."""

import json
import os
import random
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import httpx
import pytest
import sqlalchemy as sa

from service.ingest.broker_address import address_of
from service.ingest.embedded_broker import free_port
from service.main import now_ms
from service.model import Alarm, AlarmTransition, Reading, from_ms, table_of
from service.store.engine import Store, open_store
from tests.builders import publisher, wait_until
from tests.mosquitto import Mosquitto

pytestmark = [pytest.mark.faults, pytest.mark.timeout(300)]

ROOMS = 5
STEP_MS = 30_000
MOST_STEPS = 310
SITE = """
[site]
name = "North house"
timezone = "UTC"
"""
ROOM = """
[[room]]
id = "room-{n}"

[[enclosure]]
id = "tank-{n}"
name = "Day geckos {n}"
room = "room-{n}"
place = {{ rack = "A", level = 1, slot = 1 }}
profile = "phelsuma-grandis"
lights = {{ on = "00:01", off = "23:59" }}

[[probe]]
id = "spot-{n}"
model = "ds18b20"
topic = "probes/spot-{n}"
format = "json"
every = 3600
time = "/at"

[[probe.channel]]
quantity = "surface_temperature"
pointer = "/t"
enclosure = "tank-{n}"
zone = "basking"

[[probe]]
id = "plain-{n}"
model = "ds18b20"
topic = "plain/{n}"
format = "scalar"

[[probe.channel]]
quantity = "air_temperature"
enclosure = "tank-{n}"
zone = "ambient"
"""


class Site:
    """The processes of one site, by name; each can be killed and started again."""

    def __init__(self, folder: Path, database: str, broker: str) -> None:
        self.folder, self.web_port = folder, free_port()
        self.url = f"http://127.0.0.1:{self.web_port}"
        self._environment = os.environ | {
            "WARDIAN_DATA": str(folder / "data"),
            "WARDIAN_DATABASE": database,
            "WARDIAN_BROKER": broker,
            "WARDIAN_WEB": f"127.0.0.1:{self.web_port}",
        }
        self.commands = {
            "ingest 1": ("ingest", "--worker", "1"),
            "ingest 2": ("ingest", "--worker", "2"),
            "watch a": ("watch",),
            "watch b": ("watch",),
            "jobs a": ("jobs",),
            "jobs b": ("jobs",),
            "web": ("web",),
        }
        self._running: dict[str, subprocess.Popen[bytes]] = {}

    def run(self, *words: str, check: bool = True) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "service", *words]
        return subprocess.run(
            command, env=self._environment, cwd=self.folder, capture_output=True, text=True, timeout=120, check=check
        )

    def start(self, name: str) -> None:
        command = [sys.executable, "-m", "service", *self.commands[name]]
        with (self.folder / f"log {name}").open("ab") as log:
            self._running[name] = subprocess.Popen(
                command, env=self._environment, cwd=self.folder, stdout=log, stderr=log
            )

    def kill(self, name: str) -> None:
        process = self._running.pop(name)
        process.kill()
        process.wait(10)

    def stop(self) -> dict[str, int]:
        for process in self._running.values():
            process.terminate()
        return {name: process.wait(30) for name, process in self._running.items()}

    def throw_away(self) -> None:
        for name in list(self._running):
            self.kill(name)

    def is_ready(self) -> bool:
        try:
            return httpx.get(f"{self.url}/readyz", timeout=5).status_code == httpx.codes.OK
        except httpx.TransportError:
            return False


@pytest.fixture
def site(tmp_path: Path, new_postgresql: Callable[[], str], mosquitto: Mosquitto) -> Iterator[Site]:
    made = Site(tmp_path, new_postgresql(), mosquitto.url)
    (tmp_path / "room.toml").write_text(SITE + "".join(ROOM.format(n=n) for n in range(ROOMS)), encoding="utf-8")
    made.run("room", "apply", "room.toml", "--yes")
    for name in made.commands:
        made.start(name)
    yield made
    made.throw_away()


class Stream(threading.Thread):
    """Probes that speak of the last hours in order, quickly; every so often a spot is far too hot for a while.

    They declare so slow a cadence that none of them can fall silent meanwhile.
    """

    def __init__(self, broker: str) -> None:
        super().__init__()
        self._broker, self._ended = broker, threading.Event()
        self.begin_ms = (now_ms() - MOST_STEPS * STEP_MS) // STEP_MS * STEP_MS
        self.accepted = 0

    def run(self) -> None:
        with publisher(address_of(self._broker)) as client:
            while not self._ended.is_set() and self.accepted < MOST_STEPS:
                number = self.accepted
                sent = []
                for n in range(ROOMS):
                    # None is hot yet when the watch meets it first: it begins with the newest reading that it finds.
                    hot = (number + 4 * n) % 40 >= 25
                    said = {"t": 44.0 if hot else 33.0, "at": self.begin_ms + number * STEP_MS}
                    sent.append(client.publish(f"probes/spot-{n}", json.dumps(said), qos=1))
                    sent.append(client.publish(f"plain/{n}", str(20 + number / 1000), qos=1))
                for message in sent:
                    message.wait_for_publish(10)
                self.accepted += 1
                time.sleep(0.08)

    def end(self) -> None:
        self._ended.set()
        self.join()

    @property
    def end_ms(self) -> int:
        return self.begin_ms + (self.accepted - 1) * STEP_MS


def _counts(store: Store) -> dict[int, list[float]]:
    reading = table_of(Reading)
    with store.read() as session:
        rows = session.execute(sa.select(reading.c.channel_id, reading.c.value).order_by(reading.c.at_ms)).all()
    found: dict[int, list[float]] = {}
    for channel, value in rows:
        found.setdefault(channel, []).append(value)
    return found


def _twice_raised(store: Store) -> Counter[tuple[int, str, str]]:
    step = table_of(AlarmTransition)
    with store.read() as session:
        rows = session.execute(sa.select(step.c.alarm_id, step.c.before, step.c.after, step.c.at)).all()
    return Counter({key: count for key, count in Counter(tuple(row) for row in rows).items() if count > 1})


def test_whichever_process_is_killed_readings_and_alarms_are_as_if_none_had_been(
    site: Site, mosquitto: Mosquitto, kills: int
) -> None:
    moments = random.Random(11)  # noqa: S311 - whom to kill, and when
    wait_until(site.is_ready, 60)
    stream = Stream(mosquitto.url)
    stream.start()
    for _ in range(kills):
        time.sleep(moments.uniform(0.2, 1.0))
        victim = moments.choice(sorted(site.commands))
        site.kill(victim)
        time.sleep(moments.uniform(0.0, 0.6))
        site.start(victim)
    stream.end()
    wait_until(site.is_ready, 60)
    store = open_store(site._environment["WARDIAN_DATABASE"])
    wait_until(lambda: sum(map(len, _counts(store).values())) >= stream.accepted * 2 * ROOMS, 60)
    time.sleep(1.0)
    plain = sorted(20 + number / 1000 for number in range(stream.accepted))
    for values in _counts(store).values():
        assert len(values) == stream.accepted
        assert sorted(values) == pytest.approx(plain) or set(values) <= {44.0, 33.0}
    _alarms_are_those_of_hindsight(site, store, stream)
    assert _twice_raised(store) == Counter()
    assert set(site.stop().values()) == {0}
    store.close()


def _alarms_are_those_of_hindsight(site: Site, store: Store, stream: Stream) -> None:
    """Compare with the stored readings fed through the watch once more."""
    alarm = table_of(Alarm)
    begin, end = from_ms(stream.begin_ms), from_ms(stream.end_ms)
    said = ""

    def agree() -> bool:
        nonlocal said
        to = end + timedelta(seconds=1)
        replayed = site.run("replay", "--from", begin.isoformat(), "--to", to.isoformat(), check=False)
        said = replayed.stdout
        return replayed.returncode == 0

    try:
        wait_until(agree, 40)
    except AssertionError as exc:
        raise AssertionError(said) from exc
    with store.read() as session:
        too_hot = session.execute(
            sa.select(sa.func.count()).where(alarm.c.raised_at <= end, alarm.c.zone == "basking")
        ).scalar_one()
    assert too_hot >= ROOMS, said
