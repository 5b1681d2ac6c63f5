"""Reports: an animal's year through three enclosures, its PDF, and a year of one enclosure as a bundle of tables."""

import json
import sqlite3
import subprocess
import sys
import time
import zlib
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import typst
import zstandard

from service.lookback.forms.making import Form, Made, make, write
from service.lookback.lives.asking import Question
from service.model import Flag
from service.store.animals import add_animal, house
from service.store.engine import Store
from service.store.facts import RoomFacts, load_facts
from service.store.readings import add_readings
from service.store.sealing import Sealer
from tests.bench.figures import BenchError, Figure, Subject, Target, Tell, in_turn
from tests.bench.rooms import breeding_room, furnished, scratch
from tests.bench.serving import ROOT

_DAYS, _EVERY_MS = 365, 60_000
_START = datetime(2025, 1, 1, tzinfo=UTC)
_START_MS = 1_735_689_600_000
_NOW = _START + timedelta(days=_DAYS + 20)
_QUESTION = Question("animal", "Amber", "2025-01-01", "2025-12-31")
_LONGEST_S, _LONGEST_PDF_S, _FEWEST_ROWS, _MOST_MIB = 2.0, 8.0, 200_000, 100
ABOUT = """\
A room of three enclosures with four channels each, a year at 60 s, sealed; an animal lived in one after the other. *The
look-back* is made with no day kept: every day is assessed from its readings; bare is unpacking the same sealed days
(zstd) and nothing more. *The PDF* is drawn and set from a report that is there; bare is the typesetter with a text of
as many pages. *The bundle* is a year of one enclosure, in a process of its own that throws the bytes away; bare is the
same number of rows written as text and deflated, at the same level. Beside it stands by how much its memory grew."""
_STREAM = """
import json, sys, time
from datetime import datetime
from service.lookback.forms.making import Form, make, write
from service.lookback.lives.asking import Question
from service.store.engine import open_store
from service.store.facts import load_facts
store = open_store(sys.argv[1])
with store.read() as session:
    facts = load_facts(session)
question = Question("enclosure", sys.argv[2], "2025-01-01", "2025-12-31")
made = make(store, facts, question, datetime.fromisoformat(sys.argv[3]))
def mib(name):
    return next(int(line.split()[1]) / 1024 for line in open("/proc/self/status") if line.startswith(name))
open("/proc/self/clear_refs", "w").write("5")
before, began = mib("VmRSS:"), time.perf_counter()
size = sum(len(piece) for piece in write(store, facts, made, Form.CSV))
took = time.perf_counter() - began
print(json.dumps([made.report["data"]["readings"] / took, mib("VmHWM:") - before, size / 1e6]))
"""


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return the three figures."""
    with scratch() as folder:
        store = furnished(folder, breeding_room(3))
        tell(f"storing {_DAYS} days")
        facts, database = _furnish(store), folder / "data" / "wardian.db"
        looked = in_turn(lambda: _look_back(store, facts, database), lambda: _unpacked(database), pairs, tell)
        made = make(store, facts, _QUESTION, _NOW)
        pages = _pages(b"".join(write(store, facts, made, Form.PDF)))
        printed = in_turn(lambda: _print(store, facts, made), lambda: _set(pages), pairs, tell)
        notes: list[tuple[float, float]] = []
        key = next(iter(facts.by_key))
        streamed = in_turn(lambda: _stream(database, key, notes), _deflated, pairs, tell)
        readings = made.report["data"]["readings"]
        store.close()
    grew, size = max(note[0] for note in notes), notes[-1][1]
    return [
        Figure("Look-back of an animal's year in three enclosures, no day kept", "s", looked,
               Target(f"under {_LONGEST_S:g} s", lambda pairs: max(pairs.ours) < _LONGEST_S),
               f"{readings:,} readings", digits=2),
        Figure("Its PDF", "s", printed,
               Target(f"under {_LONGEST_PDF_S:g} s", lambda pairs: max(pairs.ours) < _LONGEST_PDF_S),
               f"{pages} pages", digits=2),
        Figure("A year of one enclosure as a bundle of tables", "rows/s", streamed,
               Target(f"at least {_FEWEST_ROWS:,} rows/s, in less than {_MOST_MIB} MiB",
                      lambda pairs: min(pairs.ours) >= _FEWEST_ROWS and grew < _MOST_MIB),
               f"memory grew by {grew:.0f} MiB at most; {size:.0f} MB of zip"),
    ]  # fmt: skip


SUBJECT = Subject("report", ABOUT, measure, pairs=3)


def _furnish(store: Store) -> RoomFacts:
    """Store a year, seal it, and let an animal live in one enclosure after the other."""
    with store.read() as session:
        facts = load_facts(session)
    channels = [(one.id, one.quantity) for one in facts.channels.values()]
    for day in range(_DAYS):
        with store.write() as session:
            add_readings(session, list(_rows(channels, day)))
    for _ in Sealer(store).run(_START_MS + (_DAYS + 20) * 86_400_000):
        pass
    with store.write() as session:
        amber = add_animal(session, "Amber", "Lacerta exempli", 1, "bench", _START)
        for number, enclosure in enumerate(facts.enclosures.values()):
            at = _START + timedelta(days=120 * number)
            house(session, amber.id or 0, enclosure.id, at, "bench", _NOW)
    return facts


def _rows(channels: list[tuple[int, str]], day: int) -> Iterator[tuple[int, int, float, int]]:
    at = _START_MS + day * 86_400_000 + np.arange(0, 86_400_000, _EVERY_MS, dtype=np.int64)
    hour = at % 86_400_000 / 3_600_000
    lit = (hour >= 8) & (hour < 20)
    noise = np.random.default_rng(day).normal(0, 0.1, len(at))
    for channel, quantity in channels:
        base = 70.0 if quantity == "relative_humidity" else 24.0 + 8.0 * lit
        values = np.round(base + noise + 0.01 * channel, 2)
        for when, value in zip(at.tolist(), np.broadcast_to(values, at.shape).tolist(), strict=True):
            yield channel, when, value, int(Flag.DEVICE_CLOCK)


def _look_back(store: Store, facts: RoomFacts, database: Path) -> float:
    with sqlite3.connect(database) as connection:
        connection.execute("DELETE FROM assessment_day")
    connection.close()
    began = time.perf_counter()
    made = make(store, facts, _QUESTION, _NOW)
    took = time.perf_counter() - began
    if len(made.report["days"]) < _DAYS:
        raise BenchError(f"{len(made.report['days'])} days were looked back at, expected {_DAYS}")
    return took


def _unpacked(database: Path) -> float:
    """Unpack a third of the sealed days: as many as the animal lived by."""
    connection, unpack = sqlite3.connect(database), zstandard.ZstdDecompressor()
    began = time.perf_counter()
    rows = connection.execute("SELECT body FROM reading_block WHERE (day / 122) % 3 = channel_id % 3")
    for (body,) in rows:
        try:
            unpack.decompress(body)
        except zstandard.ZstdError:
            zlib.crc32(body)
    took = time.perf_counter() - began
    connection.close()
    return took


def _print(store: Store, facts: RoomFacts, made: Made) -> float:
    began = time.perf_counter()
    b"".join(write(store, facts, made, Form.PDF))
    return time.perf_counter() - began


def _pages(pdf: bytes) -> int:
    return pdf.count(b"/Type/Page/") + pdf.count(b"/Type /Page ") or 1


def _set(pages: int) -> float:
    began = time.perf_counter()
    typst.compile(f"#for n in range({pages}) {{ lorem(400); pagebreak() }}".encode(), format="pdf")
    return time.perf_counter() - began


def _stream(database: Path, key: str, notes: list[tuple[float, float]]) -> float:
    words = [sys.executable, "-c", _STREAM, f"sqlite:///{database}", key, _NOW.isoformat()]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        raise BenchError(f"the bundle could not be streamed: {done.stderr.strip().splitlines()[-1]}")
    rate, grew, size = json.loads(done.stdout)
    notes.append((grew, size))
    return rate


def _deflated() -> float:
    """Write a day's rows as text again and again, and deflate them."""
    squeeze, rows = zlib.compressobj(1), 0
    values = np.round(np.random.default_rng(1).normal(24, 2, 1440), 2).tolist()
    began = time.perf_counter()
    for day in range(200):
        times = np.datetime_as_string(
            np.arange(day * 1440, day * 1440 + 1440).astype("datetime64[m]"), unit="s"
        ).tolist()
        what = ",probe,air_temperature,enclosure,ambient,"
        lines = [f"{time}.000Z{what}{value!r},{value!r},0" for time, value in zip(times, values, strict=True)]
        squeeze.compress(("\r\n".join(lines) + "\r\n").encode())
        rows += len(lines)
    return rows / (time.perf_counter() - began)
