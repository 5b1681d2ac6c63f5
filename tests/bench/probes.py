"""Payloads into readings, and thousands of claimed probes at a start."""

import json
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import cbor2
import orjson
import sqlalchemy as sa

from sensors.payloads import Field, Mapping, decoder_for
from sensors.payloads.gateways import gateway_decoder
from service.model import Channel, Enclosure, Placement, Probe, table_of
from service.store.engine import open_store
from tests.bench.figures import Figure, Pairs, Subject, Target, Tell, in_turn
from tests.bench.rooms import scratch
from tests.bench.serving import ROOT
from tests.builders import LONG_AGO, a_site

_LEAST = 50_000.0
_PROBES = 5_000
_MOST_S, _MOST_MIB = 1.0, 60.0
_ROUND_S = 0.4
_NOW_MS = 1_772_350_200_000
ABOUT = """\
*Readings a second*: one message of each format decoded and mapped over and over on one core (processor time): units
converted, device time read, values checked: a JSON object of two quantities with its ISO 8601 time, a lone number, a
SenML pack of two records as JSON and as CBOR, a gateway's message of ten probes. The *bare limit* parses the same bytes
with the same parser and takes the numbers out by name, with no mapping, no units, no time, no check.
*Claimed probes*: 5,000 probes of two channels, placed, in a SQLite store; a process that has loaded an empty room loads
this one and makes its mappings, as the intake does at its start. The *bare limit* is the same with one probe."""

_JSON = b'{"temperature": 75.2, "humidity": "61.2", "at": "2026-03-01T07:30:00Z"}'
_PACK = [
    {"bn": "urn:dev:a:", "bt": 1_772_350_200, "n": "t", "u": "Cel", "v": 24.5},
    {"n": "h", "u": "%RH", "v": 61.2},
]
_CBOR = cbor2.dumps([{-2: "urn:dev:a:", -3: 1_772_350_200, 0: "t", 1: "Cel", 2: 24.5}, {0: "h", 1: "%RH", 2: 61.2}])
_GATEWAY = json.dumps({"all": [{"id": f"p{n}", "t": 20.5 + n, "h": 50} for n in range(10)]}).encode()
_LOAD = """
import sys, time
from service.store.engine import open_store
from service.store.facts import load_facts
from service.ingest.mapping import Mappings

def resident():
    return next(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmRSS:")) / 1024

def load(path):
    store = open_store("sqlite:///" + path)
    with store.read() as session:
        return Mappings(load_facts(session))

first = load(sys.argv[1])
before, began = resident(), time.process_time()
second = load(sys.argv[2])
print(time.process_time() - began, resident() - before)
"""


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return a figure for each format, and two for the start."""
    target = Target(f"at least {_LEAST:,.0f}/s", lambda measured: min(measured.ours) >= _LEAST)
    figures = []
    for name, ours, bare, readings in _formats():
        measured = in_turn(
            _rate(ours, readings), _rate(bare, readings), pairs, lambda said, n=name: tell(f"{n}: {said}")
        )
        figures.append(Figure(f"Decode and map, {name}", "readings/s", measured, target))
    return figures + _start(pairs, tell)


SUBJECT = Subject("probes", ABOUT, measure, pairs=5)


def _rate(read: Callable[[], object], readings: int) -> Callable[[], float]:
    """Return what measures how many readings a second come out."""

    def measured() -> float:
        # Of the processor, not of the clock: the figure is of one core, whatever else runs.
        count, began = 0, time.process_time()
        while (took := time.process_time() - began) < _ROUND_S:
            for _ in range(200):
                read()
            count += 200 * readings
        return count / took

    return measured


def _formats() -> list[tuple[str, Callable[[], object], Callable[[], object], int]]:
    two = (Field("air_temperature", "/temperature", "degF"), Field("relative_humidity", "/humidity"))
    named = (Field("air_temperature", "urn:dev:a:t"), Field("relative_humidity", "urn:dev:a:h"))
    plain, pack = decoder_for(Mapping("json", two, "/at")), decoder_for(Mapping("senml", named))
    scalar = decoder_for(Mapping("scalar", (Field("air_temperature"),)))
    own = (Field("air_temperature", "/t"), Field("relative_humidity", "/h"))
    gateway = gateway_decoder([Mapping("json", own, None, "/all", f"p{n}", "/id") for n in range(10)])
    text = orjson.dumps(_PACK)

    def bare_json() -> object:
        document = orjson.loads(_JSON)
        return float(document["temperature"]), float(document["humidity"])

    return [
        ("json", lambda: plain(_JSON, _NOW_MS), bare_json, 2),
        ("scalar", lambda: scalar(b"24.53", _NOW_MS), lambda: float(b"24.53"), 1),
        ("SenML in JSON", lambda: pack(text, _NOW_MS), lambda: [record["v"] for record in orjson.loads(text)], 2),
        ("SenML in CBOR", lambda: pack(_CBOR, _NOW_MS), lambda: [record[2] for record in cbor2.loads(_CBOR)], 2),
        (
            "a gateway of ten probes",
            lambda: gateway(_GATEWAY, _NOW_MS),
            lambda: [(one["id"], one["t"], one["h"]) for one in orjson.loads(_GATEWAY)["all"]],
            20,
        ),
    ]


def _start(pairs: int, tell: Tell) -> list[Figure]:
    with scratch() as folder:
        many, one = _room(folder, "many", _PROBES), _room(folder, "one", 1)
        seconds: list[tuple[float, float]] = []
        mebibytes: list[tuple[float, float]] = []
        for pair in range(pairs):
            tell(f"start: pair {pair + 1} of {pairs}")
            ours, bare = _loaded(one, many), _loaded(one, one)
            seconds.append((ours[0], bare[0]))
            mebibytes.append((ours[1], max(bare[1], 0.1)))
    took, room = (Pairs(*(tuple(column) for column in zip(*rows, strict=True))) for rows in (seconds, mebibytes))
    return [
        Figure(
            f"{_PROBES:,} claimed probes at a start", "s", took,
            Target(f"under {_MOST_S:g} s", lambda measured: max(measured.ours) < _MOST_S), digits=2,
        ),
        Figure(
            f"Memory of {_PROBES:,} claimed probes", "MiB", room,
            Target(f"under {_MOST_MIB:.0f} MiB", lambda measured: max(measured.ours) < _MOST_MIB), digits=1,
        ),
    ]  # fmt: skip


def _loaded(first: Path, second: Path) -> tuple[float, float]:
    words = [sys.executable, "-c", _LOAD, str(first), str(second)]
    run = subprocess.run(words, capture_output=True, text=True, cwd=ROOT, check=True)
    took, grown = run.stdout.split()
    return float(took), float(grown)


def _room(folder: Path, name: str, probes: int) -> Path:
    """Make a store of so many probes, ten to an enclosure, each with two channels in its ambient zone."""
    path = folder / f"{name}.db"
    store = open_store(f"sqlite:///{path}")
    entered = {"from_at": LONG_AGO, "entered_by": "the bench", "entered_at": LONG_AGO, "withdrawn": False}
    quantities = ("air_temperature", "relative_humidity")
    with store.write() as session:
        a_site(session)
        homes = [{"key": f"e{n}", "name": f"E {n}", "room_id": 1} for n in range(probes // 10 + 1)]
        session.execute(sa.insert(table_of(Enclosure)), homes)
        usual = {"model": "sht31", "format": "json", "every_s": 60, "time_pointer": "/at"}
        rows = [{"key": f"p{n}", "topic": f"probes/p{n}", **usual} for n in range(probes)]
        session.execute(sa.insert(table_of(Probe)), rows)
        channels = [
            {"key": f"p{n}/{quantity}", "probe_id": n + 1, "quantity": quantity, "pointer": f"/{quantity}"}
            for n in range(probes)
            for quantity in quantities
        ]
        session.execute(sa.insert(table_of(Channel)), channels)
        placed = [
            {"channel_id": n + 1, "enclosure_id": n // 20 + 1, "zone": "ambient", **entered} for n in range(2 * probes)
        ]
        session.execute(sa.insert(table_of(Placement)), placed)
    store.close()
    return path
