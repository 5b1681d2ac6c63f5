"""A command of ours as its own process, killed at seeded moments."""

import multiprocessing
import os
import random
import sys
import time
from collections.abc import Iterator
from multiprocessing.process import BaseProcess
from pathlib import Path

# Processes are forked from one that has loaded the program already: so the moments fall into the work itself.
_PROCESSES = multiprocessing.get_context("forkserver")
_PROCESSES.set_forkserver_preload(["service.cli", "service.commands_people", "service.commands_store_care"])


def _command(words: tuple[str, ...], environment: dict[str, str], log: str) -> None:
    os.environ.update(environment)
    output = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(output, 1)
    os.dup2(output, 2)
    sys.argv = ["wardian", *words]
    from service.cli import main  # noqa: PLC0415 - in the child, where it is loaded already

    main()


def _nothing() -> None:
    """End at once: by then the process that others are forked from has loaded the program."""


ENOUGH_KILLS = 12
"""Of fewer seeded moments, all may happen to fall beside the work."""


class Killed:
    """Runs a command to its end, or kills it.

    Parameters
    ----------
    folder : Path
        For its log and its data.
    database : str
    words : str
        Of the command.
    """

    def __init__(self, folder: Path, database: str, *words: str, seed: int = 1) -> None:
        self._words, self._log = words, folder / "log"
        self._environment = {"WARDIAN_DATABASE": database, "WARDIAN_DATA": str(folder / "data")}
        self._chance = random.Random(seed)  # noqa: S311 - moments to kill at, no secret
        self.whole_s = 0.0

    def _started(self) -> BaseProcess:
        process = _PROCESSES.Process(target=_command, args=(self._words, self._environment, str(self._log)))
        process.start()
        return process

    def said(self) -> str:
        return self._log.read_text(encoding="utf-8")

    def run(self) -> int:
        """Run it to its end, note how long that takes, and return its exit status."""
        first = _PROCESSES.Process(target=_nothing)
        first.start()
        first.join(100)
        began = time.monotonic()
        process = self._started()
        process.join(100)
        self.whole_s = time.monotonic() - began
        assert process.exitcode is not None
        return process.exitcode

    def times(self, count: int) -> Iterator[bool]:
        """Kill it so many times, at moments spread over the time that it took; yield if it had not ended."""
        for _ in range(count):
            process = self._started()
            process.join(self._chance.uniform(0, self.whole_s))
            cut = process.is_alive()
            process.kill()
            process.join(10)
            yield cut
