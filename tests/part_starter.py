"""Starts parts of the service as processes of their own, in milliseconds: ``python -m tests.part_starter``.

What a part imports is imported once, here, before it is known which part it will be; each start is a fork. The part
then runs the same command that `wardian` does, with settings of its own, and can be killed like any process. Requests
are lines of JSON, and so are the answers.
"""

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from importlib import import_module
from pathlib import Path
from typing import Any

_IMPORTED_AHEAD = ("service.cli", "service.commands_parts", "service.main", "dashboard.app", "uvicorn", "numpy")


class PartStarter:
    """The starter, as a process.

    What the system is to do otherwise for a process and all that it starts goes into its environment.
    """

    def __init__(self, environment: Mapping[str, str] | None = None) -> None:
        self.environment = dict(environment or {})
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.part_starter"],
            cwd=Path(__file__).parents[1],
            env={**os.environ, **self.environment},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def start(self, words: tuple[str, ...], environment: dict[str, str], folder: Path, log: Path) -> int:
        """Start a command and return its process."""
        return self._asked(words=words, environment=environment, folder=str(folder), log=str(log))

    def wait(self, pid: int) -> int:
        """Wait for a process that was started here; return its exit status, or minus the signal that ended it."""
        return self._asked(wait=pid)

    def close(self) -> None:
        """End the starter; what it has started goes on."""
        self._process.communicate()

    def _asked(self, **request: Any) -> int:
        if self._process.stdin is None or self._process.stdout is None:
            raise RuntimeError("the starter has no pipes")
        self._process.stdin.write(f"{json.dumps(request)}\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())


def _become(request: dict[str, Any]) -> int:
    """Be that command from here on, and return its exit status."""
    log = os.open(request["log"], os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    for stream in (1, 2):
        os.dup2(log, stream)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    os.environ.clear()
    os.environ.update(request["environment"])
    os.chdir(request["folder"])
    sys.argv = ["wardian", *request["words"]]
    try:
        import_module("service.cli").main()
    except SystemExit as ended:
        return ended.code if isinstance(ended.code, int) else int(ended.code is not None)
    return 0


def _answer(request: dict[str, Any]) -> int:
    if "wait" in request:
        return os.waitstatus_to_exitcode(os.waitpid(request["wait"], 0)[1])
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            code = _become(request)
        finally:
            os._exit(code)
    return pid


def main() -> None:
    """Answer requests until there are no more."""
    for name in _IMPORTED_AHEAD:
        import_module(name)
    for line in sys.stdin:
        sys.stdout.write(f"{_answer(json.loads(line))}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
