"""One site in seven processes, and probes that speak to it: what is killed and restarted in the tests of faults."""

import json
import os
import signal
import threading
import time
from collections import Counter
from datetime import timedelta
from pathlib import Path

import httpx
import pytest
import sqlalchemy as sa

from service.ingest.broker_address import address_of
from service.ingest.embedded_broker import free_port
from service.main import now_ms
from service.model import Alarm, AlarmTransition, Channel, Probe, WatchState, from_ms, table_of
from service.store.engine import Store, open_store
from tests.builders import publisher, stored, wait_until
from tests.part_starter import PartStarter

ROOMS = 5
STEP_MS = 30_000
MOST_STEPS = 310
_ENOUGH_STEPS = 50
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
every = 86400
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

    def __init__(self, starter: PartStarter, folder: Path, database: str, broker: str) -> None:
        self.folder, self.web_port, self.database = folder, free_port(), database
        self.url = f"http://127.0.0.1:{self.web_port}"
        self._environment = {
            **os.environ,
            **starter.environment,
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
        self._starter = starter
        self._running: dict[str, int] = {}
        self._said_before: dict[str, int] = {}

    def furnish(self) -> None:
        """Apply the room file, and start all processes."""
        room = SITE + "".join(ROOM.format(n=n) for n in range(ROOMS))
        (self.folder / "room.toml").write_text(room, encoding="utf-8")
        status, said = self.run("room", "apply", "room.toml", "--yes")
        assert status == 0, said
        for name in self.commands:
            self.start(name)

    def run(self, *words: str) -> tuple[int, str]:
        """Run another command; return its exit status and what it said."""
        log = self._log("of commands")
        before = log.stat().st_size if log.exists() else 0
        status = self._starter.wait(self._starter.start(words, self._environment, self.folder, log))
        return status, log.read_bytes()[before:].decode()

    def start(self, name: str) -> None:
        log = self._log(name)
        self._said_before[name] = log.stat().st_size if log.exists() else 0
        self._running[name] = self._starter.start(self.commands[name], self._environment, self.folder, log)

    def works(self, name: str) -> bool:
        """Say whether a process has begun its work since it was last started."""
        return b"started" in self._log(name).read_bytes()[self._said_before[name] :]

    def is_running(self, name: str) -> bool:
        """Say whether a process is there, and is the one that was started."""
        state = Path(f"/proc/{self._running[name]}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()[0]
        return state != "Z"

    def kill(self, name: str) -> None:
        pid = self._running.pop(name)
        os.kill(pid, signal.SIGKILL)
        assert self._starter.wait(pid) == -signal.SIGKILL, f"{name} had ended by itself; {self._log(name)} says why"

    def stop(self) -> dict[str, int]:
        for pid in self._running.values():
            os.kill(pid, signal.SIGTERM)
        ended = {name: self._starter.wait(pid) for name, pid in self._running.items()}
        self._running.clear()
        return ended

    def throw_away(self) -> None:
        for pid in self._running.values():
            os.kill(pid, signal.SIGKILL)
            self._starter.wait(pid)

    def is_ready(self) -> bool:
        try:
            return httpx.get(f"{self.url}/readyz", timeout=5).status_code == httpx.codes.OK
        except httpx.TransportError:
            return False

    def _log(self, name: str) -> Path:
        return self.folder / f"log {name}"


class Stream(threading.Thread):
    """Probes that speak of the last hours in order, quickly; every so often a spot is far too hot for a while.

    They declare so slow a cadence that none of them can fall silent meanwhile.
    """

    def __init__(self, broker: str, database: str, steps: int = MOST_STEPS, pause_s: float = 0.08) -> None:
        super().__init__(daemon=True)
        self._database = database
        self._broker, self._ended = broker, threading.Event()
        self._steps, self._pause_s = steps, pause_s
        self.begin_ms = (now_ms() - steps * STEP_MS) // STEP_MS * STEP_MS
        self.accepted = 0

    def run(self) -> None:
        answered = threading.Semaphore(0)
        with publisher(address_of(self._broker)) as client:
            client.on_publish = lambda *_: answered.release()
            while not self._ended.is_set() and self.accepted < self._steps:
                number = self.accepted
                for n in range(ROOMS):
                    # None is hot yet when the watch meets it first: it begins with the newest reading that it finds.
                    hot = (number + 4 * n) % 40 >= 25
                    said = {"t": 44.0 if hot else 33.0, "at": self.begin_ms + number * STEP_MS}
                    client.publish(f"probes/spot-{n}", json.dumps(said), qos=1)
                    client.publish(f"plain/{n}", str(20 + number / 1000), qos=1)
                # While the broker is away the client keeps them, and sends them again when it is back.
                if not all(answered.acquire(timeout=60) for _ in range(2 * ROOMS)):
                    return
                self.accepted += 1
                if self.accepted == 1:
                    _wait_until_met(self._database)
                time.sleep(self._pause_s)

    def end(self) -> None:
        """End it, once every spot has been too hot."""
        wait_until(lambda: self.accepted >= _ENOUGH_STEPS or not self.is_alive(), 60)
        self._ended.set()
        self.join()

    @property
    def end_ms(self) -> int:
        return self.begin_ms + (self.accepted - 1) * STEP_MS


def _wait_until_met(database: str) -> None:
    """Wait until a watch has met every channel: it judges what comes after the first reading that it finds."""
    store = open_store(database)

    def met() -> int:
        with store.read() as session:
            return session.execute(sa.select(sa.func.count()).select_from(table_of(WatchState))).scalar_one()

    wait_until(lambda: met() == 2 * ROOMS, 90)
    store.close()


def require_as_if_nothing_had_been(site: Site, store: Store, stream: Stream, *, may_repeat: bool = False) -> None:
    """Compare readings with what the broker accepted, and alarms with those of hindsight.

    With `may_repeat` the probes themselves may have sent a message twice, which a probe without a clock cannot say.
    """
    with store.read() as session:
        channel, probe = table_of(Channel), table_of(Probe)
        rows = session.execute(sa.select(channel.c.id, probe.c.key).join(probe, channel.c.probe_id == probe.c.id)).all()
    spots, plains = ({row.id for row in rows if row.key.startswith(kind)} for kind in ("spot", "plain"))

    def found() -> dict[int, list[float]]:
        return {row.id: stored(store, row.id).value.tolist() for row in rows}

    wait_until(lambda: all(len(values) >= stream.accepted for values in found().values()), 60)
    time.sleep(1.0)
    readings = found()
    hot = [[44.0 if (number + 4 * n) % 40 >= 25 else 33.0 for number in range(stream.accepted)] for n in range(ROOMS)]
    assert sorted(readings[one] for one in spots) == sorted(hot)
    plain = [20 + number / 1000 for number in range(stream.accepted)]
    for one in plains:
        values = sorted(set(readings[one])) if may_repeat else sorted(readings[one])
        assert values == pytest.approx(plain)
    _alarms_are_those_of_hindsight(site, store, stream)
    assert _twice_raised(store) == Counter()


def _twice_raised(store: Store) -> Counter[tuple[int, str, str]]:
    step = table_of(AlarmTransition)
    with store.read() as session:
        rows = session.execute(sa.select(step.c.alarm_id, step.c.before, step.c.after, step.c.at)).all()
    return Counter({key: count for key, count in Counter(tuple(row) for row in rows).items() if count > 1})


def _alarms_are_those_of_hindsight(site: Site, store: Store, stream: Stream) -> None:
    """Compare with the stored readings fed through the watch once more."""
    alarm = table_of(Alarm)
    begin, end = from_ms(stream.begin_ms), from_ms(stream.end_ms)
    said = ""

    def agree() -> bool:
        nonlocal said
        to = end + timedelta(seconds=1)
        status, said = site.run("replay", "--from", begin.isoformat(), "--to", to.isoformat())
        return status == 0

    try:
        wait_until(agree, 40)
    except AssertionError as exc:
        raise AssertionError(said) from exc
    with store.read() as session:
        too_hot = session.execute(
            sa.select(sa.func.count()).where(alarm.c.raised_at <= end, alarm.c.zone == "basking")
        ).scalar_one()
    assert too_hot >= ROOMS, said
