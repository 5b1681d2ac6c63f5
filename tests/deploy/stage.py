"""A computer that is none: what a page tells root to do is done word for word, below a folder of the test's own.

The words of the page stay as they are but for the places: each absolute path lies below the folder, each port is a free
one, here and in the files that are put in place. Programs that would change the real computer are stood in for by
scripts that come first on the path:

- ``sudo`` runs the rest as the test's own user;
- ``apt-get``, ``useradd``, ``chown`` and ``createuser`` do nothing;
- ``make … install`` makes a ``wardian`` that runs what is tested, and tells it where the broker's configuration lies;
- ``install`` leaves owners out, and puts paths and ports right in what it has put in place;
- ``systemctl`` starts, stops and reloads what the units say, and the broker by its configuration, without systemd.
"""

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from textwrap import dedent

from service.ingest.embedded_broker import free_port
from tests.documents import ROOT, document

PLACES = (
    "/opt/wardian",
    "/var/lib/wardian",
    "/var/lib/mosquitto",
    "/etc/mosquitto",
    "/etc/systemd/system",
    "/mnt/other-disk",
)
QUIET = ("apt-get", "useradd", "chown", "createuser", "id")
_SCRIPTS = {
    "sudo": """
        while [ $# -gt 0 ]; do case $1 in -u) shift 2;; *) break;; esac; done
        exec "$@"
    """,
    "make": """
        [ "$1" = -C ] && cd "$2"
        mkdir -p .venv/bin
        cp "$STAGE/programs/.wardian" .venv/bin/wardian
    """,
    "install": """
        for word; do
          shift
          case $word in -o|-g) skip=1;; *) [ -n "${skip:-}" ] || set -- "$@" "$word"; skip=;; esac
        done
        /usr/bin/install "$@"
        for last; do :; done
        [ -d "$last" ] && exit 0
        [ "$last" = "$STAGE/etc/mosquitto/mosquitto.conf" ] && printf '%s\\n' "$STAGE_BROKER" >> "$last"
        sed -i -f "$STAGE/places.sed" "$last"
    """,
    ".wardian": """
        [ "$1" = probe-credentials ] && set -- "$@" --configuration "$STAGE/etc/mosquitto/mosquitto.conf"
        exec "$STAGE_PYTHON" -m service "$@"
    """,
    "systemctl": """
        exec "$STAGE_PYTHON" -m tests.deploy.stage "$@"
    """,
}  # fmt: skip


GUIDE = document("docs/operators-guide.md")


def commands(text: str, heading: str) -> list[str]:
    """Return the shell blocks of a section, in order."""
    section = text.split(f"\n{heading}\n")[1].split("\n## ", maxsplit=1)[0].split("\n### ", maxsplit=1)[0]
    return [dedent(part.split("```")[0]) for part in section.split("```sh\n")[1:]]


def line_of(output: str) -> str:
    """Return the line that does as the probe would, from what `wardian probe-credentials` says."""
    (line,) = (line.strip() for line in output.splitlines() if line.strip().startswith("mosquitto_pub"))
    return line


def staged_broker() -> dict[str, str]:
    """Return free ports in the place of the broker's, and a name under which it is found."""
    plain, tls = free_port(), free_port()
    return {
        "listener 1883": f"listener {plain}",
        "listener 8883": f"listener {tls}",
        "127.0.0.1:1883": f"127.0.0.1:{plain}",
        "broker.example.org": "localhost",
    }


class Stage:
    """The folder, its programs, and what runs on it.

    Parameters
    ----------
    folder : Path
    program : callable
        Finds a program or says that it is missing.
    ports : mapping
        From the page's ports to those of the test, longest first.
    """

    def __init__(self, folder: Path, program: Callable[[str], str], ports: Mapping[str, str]) -> None:
        self.folder, self._ports = folder, ports
        programs = folder / "programs"
        for place in (*PLACES, "/run", "/tmp"):  # noqa: S108 - below the folder
            (folder / place.lstrip("/")).mkdir(parents=True)
        # A clone makes it itself.
        (folder / "opt/wardian").rmdir()
        programs.mkdir()
        for name, text in {**_SCRIPTS, **dict.fromkeys(QUIET, "exit 0")}.items():
            path = programs / name
            path.write_text(f"#!/bin/sh\nset -eu\n{text}\n", encoding="utf-8")
            path.chmod(0o755)
        rules = [f"s#{old}#{new}#g" for old, new in self._changes().items()]
        (folder / "places.sed").write_text("\n".join(rules) + "\n", encoding="utf-8")
        found = [str(Path(program(name)).parent) for name in ("mosquitto", "mosquitto_passwd", "mosquitto_pub", "git")]
        self.environment = {name: value for name, value in os.environ.items() if not name.startswith("WARDIAN_")} | {
            "PATH": ":".join([str(programs), *found, os.environ["PATH"]]),
            "DESTDIR": str(folder),
            "STAGE": str(folder),
            "STAGE_PYTHON": sys.executable,
            "STAGE_BROKER": f"user {'root' if os.geteuid() == 0 else 'mosquitto'}",
            "PYTHONPATH": str(ROOT),
            "TMPDIR": str(folder / "tmp"),
        }

    def _changes(self) -> dict[str, str]:
        return {place: f"{self.folder}{place}" for place in PLACES} | dict(self._ports)

    def here(self, text: str) -> str:
        """Return a page's words with this stage's places and ports."""
        for old, new in self._changes().items():
            text = re.sub(rf"(?<![\w./-]){re.escape(old)}" if old.startswith("/") else re.escape(old), new, text)
        return re.sub(
            r"-C /$", f"-C {self.folder}", text.replace("ADDRESS-OF-THIS-REPOSITORY", str(ROOT)), flags=re.MULTILINE
        )

    def run(self, text: str, answer: str = "") -> str:
        """Run a block of a page and return what it said; a line that fails is an error."""
        # What it leaves running must not hold its output open.
        with (self.folder / "said").open("w+", encoding="utf-8") as said:
            done = subprocess.run(
                ["sh", "-euc", self.here(text)], env=self.environment, cwd=self.folder, input=answer, text=True,
                stdout=said, stderr=said, timeout=120, check=False,
            )  # fmt: skip
            said.seek(0)
            output = said.read()
        assert done.returncode == 0, f"{self.here(text)}\n{output}{self.logs()}"
        return output

    def logs(self) -> str:
        """Return what everything that was started has said."""
        return "".join(f"\n--- {path.stem}\n{path.read_text()}" for path in sorted((self.folder / "run").glob("*.log")))

    def write(self, place: str, text: str) -> None:
        """Put a file of a page in its place."""
        path = self.folder / place.lstrip("/")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(self.here(text), encoding="utf-8")

    def lose(self) -> None:
        """Stop everything, and take all away but the other disk."""
        self.stop()
        for place in PLACES:
            if place != "/mnt/other-disk":
                shutil.rmtree(self.folder / place.lstrip("/"))
                (self.folder / place.lstrip("/")).mkdir()
        (self.folder / "opt/wardian").rmdir()

    def stop(self) -> None:
        _stop(list((self.folder / "run").glob("*.pid")))


def _stop(pid_files: list[Path]) -> None:
    """End what runs, all at once, and wait until it has ended."""
    pids = [int(path.read_text(encoding="utf-8")) for path in pid_files if path.exists()]
    for path in pid_files:
        path.unlink(missing_ok=True)
    for pid in pids:
        with suppress(ProcessLookupError):
            os.killpg(pid, signal.SIGTERM)
    deadline = time.monotonic() + 20
    while any(map(_lives, pids)) and time.monotonic() < deadline:
        time.sleep(0.05)


def _lives(pid: int) -> bool:
    """Whether a process runs; one that has ended and that nobody has asked after does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


def _command(stage: Path, unit: str) -> tuple[str, Path]:
    """Return what a unit runs and where; the broker's is Debian's own."""
    if unit == "mosquitto":
        return f"mosquitto -c {stage}/etc/mosquitto/mosquitto.conf", stage
    name, _, instance = unit.partition("@")
    text = (stage / "etc/systemd/system" / (f"{name}@.service" if instance else f"{name}.service")).read_text()
    found = {key: re.search(rf"^{key}=(.+)$", text, re.MULTILINE) for key in ("ExecStart", "WorkingDirectory")}
    words = {key: match[1].replace("%i", instance) for key, match in found.items() if match}
    for place in PLACES:
        words = {key: re.sub(rf"(?<![\w./-]){place}", f"{stage}{place}", value) for key, value in words.items()}
    return words["ExecStart"], Path(words["WorkingDirectory"])


def _systemctl(stage: Path, action: str, units: list[str]) -> None:
    """Do what `systemctl` would with these units."""
    if action in {"stop", "restart"}:
        _stop([stage / "run" / f"{unit}.pid" for unit in units])
    for unit in units:
        pid_file = stage / "run" / f"{unit}.pid"
        if action == "reload":
            os.kill(int(pid_file.read_text()), signal.SIGHUP)
        if action in {"start", "restart"} and not pid_file.exists():
            command, folder = _command(stage, unit)
            with (stage / "run" / f"{unit}.log").open("ab") as log:
                process = subprocess.Popen(
                    command.split(),
                    cwd=folder,
                    stdin=subprocess.DEVNULL,
                    stdout=log,
                    stderr=log,
                    start_new_session=True,
                )
            pid_file.write_text(str(process.pid))


if __name__ == "__main__":
    stage_folder, (what, *words) = Path(os.environ["STAGE"]), sys.argv[1:]
    if "--now" in words:
        what = {"enable": "start", "disable": "stop"}[what]
    if what in {"start", "stop", "restart", "reload"}:
        _systemctl(stage_folder, what, [word for word in words if not word.startswith("-")])
