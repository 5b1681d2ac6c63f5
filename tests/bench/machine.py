"""What the figures were measured on."""

import os
import platform
import shutil
import sqlite3
import statistics
import subprocess
import sys
import time
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path

from tests.bench.rooms import scratch

_LIBRARIES = ("paho-mqtt", "iotcore", "orjson", "numpy", "sqlalchemy", "sqlmodel", "fastapi", "uvicorn", "jinja2")
_SYNCS = 200


def described() -> list[tuple[str, str]]:
    """Return the machine and the versions, each as a name and what is to be said of it."""
    libraries = ", ".join(f"{name} {metadata.version(name)}" for name in _LIBRARIES)
    return [
        ("date", f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC"),
        ("processor", f"{_of_file('/proc/cpuinfo', 'model name')}, {os.cpu_count()} cores"),
        ("memory", f"{int(_of_file('/proc/meminfo', 'MemTotal').split()[0]) / 1024**2:.0f} GiB"),
        ("disk", _disk()),
        ("system", f"{platform.system()} {platform.release()}"),
        ("Python", f"{platform.python_version()} ({sys.implementation.name}), SQLite {sqlite3.sqlite_version}"),
        ("Mosquitto", _mosquitto()),
        ("libraries", libraries),
    ]


def load() -> float:
    """Return how many processes wanted a core in the last minute, on average."""
    return os.getloadavg()[0]


def _of_file(path: str, name: str) -> str:
    lines = Path(path).read_text(encoding="utf-8").splitlines()
    return next((line.partition(":")[2].strip() for line in lines if line.startswith(name)), "unknown")


def _disk() -> str:
    """Say what the databases lie on, and what it costs there to have 4 KiB on disk for certain."""
    with scratch() as folder:
        kind = _filesystem(folder)
        took = []
        with (folder / "file").open("wb", buffering=0) as file:
            for _ in range(_SYNCS):
                file.write(bytes(4096))
                began = time.perf_counter()
                os.fdatasync(file.fileno())
                took.append((time.perf_counter() - began) * 1000)
    return f"{kind}; fdatasync after 4 KiB {statistics.median(took):.2f} ms (median of {_SYNCS})"


def _filesystem(folder: Path) -> str:
    """Return the type of the file system that holds a folder: of all that are mounted above it, the nearest."""
    mounts = [line.split()[1:3] for line in Path("/proc/mounts").read_text(encoding="utf-8").splitlines()]
    above = [(len(place), kind) for place, kind in mounts if folder.is_relative_to(place)]
    return max(above)[1] if above else "unknown file system"


def _mosquitto() -> str:
    program = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
    if program is None:
        return "not installed"
    said = subprocess.run([program, "-h"], capture_output=True, text=True, check=False).stdout
    return said.partition("\n")[0].removeprefix("mosquitto version ").strip()
