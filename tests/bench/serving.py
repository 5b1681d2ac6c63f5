"""`wardian up` as a process of its own, on a room that was applied from its file."""

import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

from sensors.simulator import Scene
from service.ingest.broker_address import BrokerAddress
from service.ingest.embedded_broker import free_port
from service.store.engine import Store
from tests.bench.figures import BenchError
from tests.bench.rooms import furnished

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True, slots=True)
class Served:
    """A running service.

    Attributes
    ----------
    pid : int
    url : str
        Of its pages, without a slash at the end.
    broker : BrokerAddress
        Where probes publish.
    database : Path
    """

    pid: int
    url: str
    broker: BrokerAddress
    database: Path


@contextmanager
def serving(
    folder: Path,
    scene: Scene,
    broker: BrokerAddress | None = None,
    fill: Callable[[Store], object] = lambda _store: None,
) -> Iterator[Served]:
    """Run the service until the block ends.

    Parameters
    ----------
    folder : Path
    scene : Scene
        What its room file describes.
    broker : BrokerAddress, optional
        By default the embedded one.
    fill : callable
        Puts readings into the store before it is served.
    """
    store = furnished(folder, scene)
    fill(store)
    store.close()
    port, own = free_port(), BrokerAddress("127.0.0.1", free_port())
    environment = {
        "PYTHONPATH": str(ROOT),
        "WARDIAN_DATA": str(folder / "data"),
        "WARDIAN_WEB": f"127.0.0.1:{port}",
        "WARDIAN_BROKER": str(broker or "embedded"),
        "WARDIAN_BROKER_LISTEN": f"127.0.0.1:{own.port}",
    }
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "service", "up"], env=environment, cwd=folder, stdout=log, stderr=log
        )
    try:
        url = f"http://127.0.0.1:{port}"
        wait_for_page(f"{url}/readyz", process, folder / "log")
        yield Served(process.pid, url, broker or own, folder / "data" / "wardian.db")
    finally:
        end(process)


def wait_for_page(url: str, process: subprocess.Popen[bytes], log: Path, seconds: float = 180.0) -> None:
    """Ask until a page answers 200.

    Raises
    ------
    BenchError
        With the end of the log, when the process ends or never answers.
    """
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline and process.poll() is None:
        try:
            if httpx.get(url, timeout=30).status_code == httpx.codes.OK:
                return
        except httpx.TransportError:
            pass
        time.sleep(0.02)
    raise BenchError(f"{url} did not answer; the log ends: {log.read_text(encoding='utf-8')[-1_000:]}")


def end(process: subprocess.Popen[bytes]) -> None:
    """End a process as a service manager would, and for certain."""
    if process.poll() is None:
        process.send_signal(signal.SIGTERM)
    try:
        process.wait(20)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
