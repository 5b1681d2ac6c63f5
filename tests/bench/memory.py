"""Resident memory of the whole service, after a stream and some looking."""

import sqlite3
import subprocess
import sys
import time

import httpx

from service.main import now_ms
from tests.bench.figures import BenchError, Figure, Subject, Target, Tell, in_turn
from tests.bench.publishing import publish_all
from tests.bench.rooms import breeding_room, scratch
from tests.bench.serving import ROOT, Served, serving
from tests.bench.workers import Worker, children_of, resident_mib

_MOST_MIB = 300.0
_MINUTES = 10
_LOOKS = 5
ABOUT = """\
`wardian up` with its embedded broker on a room of 200 enclosures and 800 channels, after ten minutes' worth of
readings (each probe every 30 s, sent as fast as the broker takes them), with a client on the live stream and the Room
page, an Enclosure page and a series fetched five times. The resident memory (RSS) of the service and of its broker
process together. The *bare limit* is a Python process that imports the same libraries (every module that the service
imports and that is none of ours) and does nothing."""

_OURS = "{'service', 'sensors', 'dashboard'}"
_LIST_MODULES = f"""
import sys
before = set(sys.modules)
import service.commands_parts
print("\\n".join(sorted(name for name in set(sys.modules) - before if name.partition(".")[0] not in {_OURS})))
"""
_IMPORT_THEM = """
import importlib, sys
for name in sys.stdin.read().split():
    try:
        importlib.import_module(name)
    except ImportError:
        pass  # a name that only its own package can make
print([line.split()[1] for line in open("/proc/self/status") if line.startswith("VmRSS:")][0])
"""


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return the one figure."""
    notes: list[str] = []
    measured = in_turn(lambda: _ours(notes), _bare, pairs, tell)
    words = f"under {_MOST_MIB:.0f} MiB"
    target = Target(words, lambda pairs: max(pairs.ours) < _MOST_MIB)
    return [Figure("Resident memory of `wardian up`, 800 channels", "MiB", measured, target, notes[-1])]


SUBJECT = Subject("memory", ABOUT, measure, pairs=3)


def _ours(notes: list[str]) -> float:
    scene = breeding_room()
    rounds = _MINUTES * 60_000 // int(scene.probes[0].every * 1000)
    with scratch() as folder, serving(folder, scene) as service:
        with httpx.stream("GET", f"{service.url}/api/v1/live", timeout=60) as live:
            live_lines = live.iter_lines()
            next(live_lines)
            with Worker(publish_all, service.broker, scene, rounds, now_ms()) as publisher:
                publisher.hear()
                publisher.tell("go")
                publisher.hear()
            _wait_until_stored(service, rounds * 2 * len(scene.probes))
            _look(service, scene.enclosures[0].id)
        own, broker = resident_mib(service.pid), sum(resident_mib(child) for child in children_of(service.pid))
    notes.append(f"service {own:.0f} MiB, broker {broker:.0f} MiB")
    return own + broker


def _wait_until_stored(service: Served, readings: int) -> None:
    database = sqlite3.connect(f"file:{service.database}?mode=ro", uri=True)
    deadline = time.monotonic() + 120
    while database.execute("SELECT count(*) FROM reading").fetchone()[0] < readings:
        if time.monotonic() > deadline:
            raise BenchError(f"{readings} readings were not stored within 120 s")
        time.sleep(0.1)
    database.close()
    time.sleep(1.0)  # the watch and the live stream take up the last commit


def _look(service: Served, enclosure: str) -> None:
    for _ in range(_LOOKS):
        for path in ("/", f"/enclosures/{enclosure}", f"/api/v1/enclosures/{enclosure}/series"):
            httpx.get(f"{service.url}{path}", timeout=30).raise_for_status()


def _bare() -> float:
    names = _python(_LIST_MODULES, "")
    return int(_python(_IMPORT_THEM, names)) / 1024


def _python(code: str, told: str) -> str:
    run = subprocess.run([sys.executable, "-c", code], input=told, capture_output=True, text=True, cwd=ROOT, check=True)
    return run.stdout
