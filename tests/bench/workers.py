"""Functions in processes of their own, so that what is measured shares nothing with what measures it."""

import multiprocessing
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Self

from tests.bench.figures import BenchError

_SPAWN = multiprocessing.get_context("spawn")


class Worker:
    """A function that runs in a new interpreter and reports through a pipe.

    Parameters
    ----------
    function : callable
        Of a module; its first argument is its end of the pipe.
    arguments
        What it gets besides.
    """

    def __init__(self, function: Callable[..., None], *arguments: object) -> None:
        self._pipe, theirs = _SPAWN.Pipe()
        self._process = _SPAWN.Process(target=function, args=(theirs, *arguments), daemon=True)
        self._name = function.__qualname__

    def __enter__(self) -> Self:
        self._process.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._process.join(5)
        if self._process.is_alive():
            self._process.kill()
            self._process.join()

    @property
    def pid(self) -> int:
        return self._process.pid or 0

    def tell(self, message: object) -> None:
        self._pipe.send(message)

    def hear(self, seconds: float = 180.0) -> Any:
        """Return the next thing that it reports.

        Raises
        ------
        BenchError
            When it ends or says nothing for so long.
        """
        try:
            if self._pipe.poll(seconds):
                return self._pipe.recv()
        except (EOFError, OSError):
            pass
        raise BenchError(f"{self._name} ended or said nothing for {seconds:.0f} s; see its error above")


def peak_mib() -> float:
    """Return the greatest resident memory that this process has had since it began its program. [MiB].

    Not ru_maxrss: that one remembers what the parent weighed at the moment of starting us.
    """
    return _memory_line("self", "VmHWM")


def resident_mib(pid: int | str) -> float:
    """Return the resident memory of a process. [MiB]."""
    return _memory_line(pid, "VmRSS")


def _memory_line(pid: int | str, name: str) -> float:
    for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
        if line.startswith(f"{name}:"):
            return int(line.split()[1]) / 1024
    raise BenchError(f"process {pid} has ended")


def children_of(pid: int) -> list[int]:
    """Return the processes that a process has started."""
    return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()]


def said_once(pipe: Connection, message: object) -> None:
    """Report the last thing a worker has to say."""
    pipe.send(message)
    pipe.close()
