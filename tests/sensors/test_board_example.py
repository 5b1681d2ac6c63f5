"""The example for a microcontroller, run as it is, on a made board.

Its hardware modules are made up (`board/scenario.py`): what is tried is its own code, by CPython and, where the package
that brings it is installed, by MicroPython itself. No real board, part or network is tried.
"""

import ast
import atexit
import importlib.util
import json
import os
import shutil
import ssl
import subprocess
import sys
import tempfile
from functools import cache
from pathlib import Path

import pytest

from sensors.payloads import decoder_for
from sensors.payloads.measurement import Field, Mapping
from tests.documents import ROOT

EXAMPLES = ROOT / "sensors" / "examples"
SCENARIO = Path(__file__).parent / "board" / "scenario.py"
RUNNERS = {"cpython": [sys.executable]}
if importlib.util.find_spec("micropython_unix") is not None:
    RUNNERS["micropython"] = [sys.executable, "-m", "micropython_unix"]
STARTED = 1_772_323_200
AIR = {"humidity": 61.04, "temperature": 24.43}


@cache
def authority() -> Path:
    """Return the certificate of an authority as a board reads it, made as the deployed broker's is."""
    folder = Path(tempfile.mkdtemp())
    atexit.register(shutil.rmtree, folder)
    made = ROOT / "deploy" / "mosquitto" / "make-certificates.sh"
    subprocess.run(["/bin/sh", made, "broker.example.org", folder], check=True, capture_output=True)
    der = ssl.PEM_cert_to_DER_cert((folder / "ca.crt").read_text(encoding="ascii"))
    (folder / "ca.der").write_bytes(der)
    return folder / "ca.der"


@cache
def messages(runner: str) -> dict[str, tuple[list[dict[str, float]], int]]:
    """Return what the broker got in each part of the scenario, and how many readings waited at its end."""
    ran = subprocess.run(
        [*RUNNERS[runner], str(SCENARIO), str(EXAMPLES), str(authority())],
        capture_output=True, text=True, timeout=60, check=False,
        env=os.environ | {"PYTHONDONTWRITEBYTECODE": "1"},
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    found = {}
    for line in ran.stdout.splitlines():
        if "[" in line and "]" in line:
            name, _, rest = line.partition(" [")
            inside, _, left = rest.rpartition("] ")
            found[name] = ([json.loads(text) for text in ast.literal_eval(f"[{inside}]")], int(left))
    assert f"by {runner}" in ran.stdout
    assert "must know True of 1" in ran.stdout
    return found


@pytest.mark.parametrize("runner", RUNNERS)
def test_a_board_publishes_waits_and_tells_its_times(runner: str) -> None:
    got = messages(runner)
    steady, waiting = got["steady"]
    # SHT3x datasheet, 4.13: -45 + 175·26000/65535 and 100·40000/65535. The first reading was before the clock was set.
    assert steady == [
        AIR | {"spot": 31.25},
        {"at": STARTED + 60, **AIR, "spot": 31.25},
        {"at": STARTED + 120, **AIR, "spot": 31.25},
    ]
    assert waiting == 0
    assert got["away"] == ([], 5)
    back, left = got["back"]
    assert [one["at"] - STARTED for one in back] == [60 * minute for minute in range(3, 10)]
    assert left == 0


@pytest.mark.parametrize("runner", RUNNERS)
def test_what_is_no_measurement_is_left_out(runner: str) -> None:
    got = messages(runner)
    assert got["nothing"] == ([], 0)
    assert got["air alone"] == ([{"at": STARTED + 660, **AIR}], 0)
    assert got["spot alone"] == ([{"at": STARTED + 720, "spot": -12.5}], 0)
    assert got["none"] == ([], 0)
    # Without a time a reading would be taken for one of its arrival: of those that wait, the newest alone is kept.
    assert got["no clock"] == ([], 1)
    assert got["clock again"] == ([{"spot": -12.5}], 0)
    assert got["from the start"] == ([{"spot": -12.5}], 0)


@pytest.mark.parametrize("runner", RUNNERS)
def test_with_an_authority_it_connects_once_it_has_the_time(runner: str) -> None:
    got = messages(runner)
    assert got["no clock for TLS"] == ([], 0)
    assert got["TLS"][0]


def test_what_it_sends_is_read_as_the_guide_maps_it() -> None:
    steady, _ = messages("cpython")["steady"]
    fields = (Field("air_temperature", "/temperature"), Field("relative_humidity", "/humidity"))
    decode = decoder_for(Mapping("json", fields, "/at"))
    found = decode(json.dumps(steady[1]).encode())
    assert {(one.quantity, one.value, one.at_ms) for one in found.measurements} == {
        ("air_temperature", 24.43, (STARTED + 60) * 1000), ("relative_humidity", 61.04, (STARTED + 60) * 1000),
    }  # fmt: skip
