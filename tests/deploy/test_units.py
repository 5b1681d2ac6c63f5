"""The units of systemd that deploy/ carries, read by systemd itself where it is there."""

import configparser
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.deploy.deployed_broker import DEPLOY
from tests.documents import document

UNIT = DEPLOY / "systemd" / "wardian.service"
PROBES_UNIT = DEPLOY / "systemd" / "wardian-probes.service"
PART_UNIT = DEPLOY / "systemd" / "wardian@.service"
WORKER_UNIT = DEPLOY / "systemd" / "wardian-ingest@.service"


def _unit(path: Path) -> configparser.ConfigParser:
    """Return a unit's options; of one that stands several times the last."""
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read_string(path.read_text(encoding="utf-8"))
    return parser


def _exposure() -> float:
    """Return the score that the guide promises: of 10, less is better. [1]"""
    found = re.search(r"exposure (\d+\.\d) of 10", document("docs/operators-guide.md").text)
    assert found is not None
    return float(found[1])


def _exceeds(unit: Path) -> bool:
    """Whether systemd itself finds a unit more exposed than the guide says."""
    command = ["systemd-analyze", "security", "--offline=true", f"--threshold={_exposure() * 10:.0f}", unit]
    return subprocess.run(command, capture_output=True, check=False).returncode != 0


def _verified_by_systemd(path: Path, folder: Path) -> None:
    """Let systemd itself read the unit, with a program that is there in the place of the installed one."""
    here = folder / path.name
    program = Path(sys.executable).with_name("wardian")
    text = path.read_text(encoding="utf-8").replace("/opt/wardian/.venv/bin/wardian", str(program))
    here.write_text(text, encoding="utf-8")
    said = subprocess.run(["systemd-analyze", "verify", here], capture_output=True, text=True, check=False)
    assert (said.returncode, said.stdout, said.stderr) == (0, "", "")
    assert not _exceeds(here)
    # Each of these alone is more than the ceiling bears.
    for line in ("PrivateUsers=yes\n", "NoNewPrivileges=yes\n", "ProtectSystem=strict\n"):
        assert line in text
        here.write_text(text.replace(line, ""), encoding="utf-8")
        assert _exceeds(here), line


def _parsed_alone(path: Path, _folder: Path) -> None:
    assert _unit(path).sections() == ["Unit", "Service", "Install"]


# The name of the test says how the unit was read.
_READ_BY = ("systemd-analyze", _verified_by_systemd) if shutil.which("systemd-analyze") else ("parser", _parsed_alone)


@pytest.mark.parametrize("read", [pytest.param(_READ_BY[1], id=f"read-by-{_READ_BY[0]}")])
@pytest.mark.parametrize("unit", [UNIT, PROBES_UNIT, PART_UNIT, WORKER_UNIT], ids=lambda unit: unit.stem)
def test_the_unit_is_sound(tmp_path: Path, unit: Path, read: Callable[[Path, Path], None]) -> None:
    read(unit, tmp_path)


@pytest.mark.parametrize(
    ("unit", "command"),
    [(UNIT, "up"), (PROBES_UNIT, "read-probes --every 60"), (PART_UNIT, "%i"), (WORKER_UNIT, "ingest --worker %i")],
)
def test_the_unit_comes_back_after_any_end_but_a_wrong_setting(unit: Path, command: str) -> None:
    service = _unit(unit)["Service"]
    assert service["ExecStart"] == f"/opt/wardian/.venv/bin/wardian {command}"
    assert (service["Restart"], service["RestartPreventExitStatus"]) == ("always", "2")
    assert service["User"] != "root"
    assert service["WorkingDirectory"] == f"/var/lib/{service['StateDirectory']}"
    for option in ("NoNewPrivileges", "PrivateTmp", "PrivateDevices", "ProtectHome", "MemoryDenyWriteExecute"):
        assert service[option] == "yes"
