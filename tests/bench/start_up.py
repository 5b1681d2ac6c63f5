"""From the start of the demo's command to its first page."""

import subprocess
import sys
import time
from pathlib import Path

from service.ingest.embedded_broker import free_port
from tests.bench.figures import Figure, Subject, Target, Tell, in_turn
from tests.bench.rooms import scratch
from tests.bench.serving import ROOT, end, wait_for_page

_MOST_S = 60.0
ABOUT = """\
From starting `wardian demo` (what `make demo` runs once everything is installed) in an empty folder to the first
answer 200 of the Room page: 30 days of history are simulated, stored and looked through on the way. The *bare limit*
is a process that imports the same package and serves an empty page with the same web server."""
_BARE = """
import sys
import service.commands_demo
import uvicorn
from fastapi import FastAPI

app = FastAPI()

@app.get("/")
def page() -> str:
    return ""

uvicorn.run(app, host="127.0.0.1", port=int(sys.argv[1]), log_level="warning")
"""


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return the one figure."""
    measured = in_turn(_demo_seconds, _bare_seconds, pairs, tell)
    target = Target(f"under {_MOST_S:.0f} s", lambda pairs: max(pairs.ours) < _MOST_S)
    return [Figure("Start of `wardian demo` to the Room page", "s", measured, target, "30 days of history", digits=1)]


SUBJECT = Subject("demo", ABOUT, measure, pairs=3)


def _demo_seconds() -> float:
    port = free_port()
    return _seconds_to_page(["-m", "service", "demo", "--port", str(port)], port)


def _bare_seconds() -> float:
    port = free_port()
    return _seconds_to_page(["-c", _BARE, str(port)], port)


def _seconds_to_page(words: list[str], port: int) -> float:
    with scratch() as folder:
        return _timed(folder, words, port)


def _timed(folder: Path, words: list[str], port: int) -> float:
    began = time.perf_counter()
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, *words], cwd=folder, env={"PYTHONPATH": str(ROOT)}, stdout=log, stderr=log
        )
    try:
        wait_for_page(f"http://127.0.0.1:{port}/", process, folder / "log")
        return time.perf_counter() - began
    finally:
        end(process)
