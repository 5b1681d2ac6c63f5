"""What waits to be published: in memory while the broker answers, on the disk while it does not."""

import json
import os
from collections import deque
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

MOST_BATCHES: Final = 50_000
"""Of these the oldest give way: a month of sweeps a minute apart."""
_SUFFIX: Final = ".sweep"
_DIGITS: Final = 16


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A message to be published."""

    topic: str
    payload: str


@dataclass(slots=True)
class Batch:
    """The messages of one sweep, and where they wait on the disk, if they do."""

    number: int
    messages: tuple[Outgoing, ...]
    path: Path | None = None


@dataclass(slots=True)
class _Counts:
    """What could not be kept."""

    dropped: int = 0
    damaged: list[str] = field(default_factory=list)


class Spool:
    """Keeps sweeps in order until the broker has them.

    A card that is written to each minute wears out: a sweep is written down only when `keep` is called, which the
    publisher does when the broker does not answer, and when it stops.

    Parameters
    ----------
    folder : Path
        Made when it is needed. What an earlier run left there is published first.
    most : int
        How many sweeps are kept.
    """

    def __init__(self, folder: Path, most: int = MOST_BATCHES) -> None:
        self._folder = folder
        self._most = most
        self._counts = _Counts()
        left = sorted(folder.glob(f"*{_SUFFIX}")) if folder.is_dir() else []
        self._waiting: deque[Batch] = deque(Batch(int(path.stem), (), path) for path in left if path.stem.isdigit())
        self._next = self._waiting[-1].number + 1 if self._waiting else 1

    def __len__(self) -> int:
        """Return how many sweeps wait."""
        return len(self._waiting)

    @property
    def dropped(self) -> int:
        """How many sweeps gave way to newer ones."""
        return self._counts.dropped

    @property
    def on_disk(self) -> int:
        """How many of the sweeps that wait are written down."""
        return sum(batch.path is not None for batch in self._waiting)

    def put(self, messages: Iterable[Outgoing]) -> None:
        """Let a sweep wait, behind all others."""
        self._waiting.append(Batch(self._next, tuple(messages)))
        self._next += 1
        while len(self._waiting) > self._most:
            self._forget(self._waiting.popleft())
            self._counts.dropped += 1

    def keep(self) -> None:
        """Write down every sweep that waits in memory alone.

        Raises
        ------
        OSError
            The disk is full or cannot be written; what could not be written still waits in memory.
        """
        for batch in self._waiting:
            if batch.path is None:
                batch.path = self._written(batch)

    def first(self) -> Batch | None:
        """Return the sweep that has waited longest, with its messages; one that is damaged is passed over."""
        while self._waiting:
            batch = self._waiting[0]
            if batch.messages or batch.path is None or self._read(batch):
                return batch
            self._counts.damaged.append(batch.path.name)
            self._forget(self._waiting.popleft())
        return None

    def done(self, batch: Batch) -> None:
        """Forget a sweep: the broker has it."""
        with suppress(ValueError):
            self._waiting.remove(batch)
        self._forget(batch)

    def damaged(self) -> list[str]:
        """Return the files that could not be read, each once."""
        found, self._counts.damaged = self._counts.damaged, []
        return found

    def _written(self, batch: Batch) -> Path:
        self._folder.mkdir(parents=True, exist_ok=True)
        path = self._folder / f"{batch.number:0{_DIGITS}d}{_SUFFIX}"
        unfinished = path.with_suffix(".part")
        text = json.dumps([[message.topic, message.payload] for message in batch.messages])
        with unfinished.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        unfinished.replace(path)
        return path

    @staticmethod
    def _read(batch: Batch) -> bool:
        """Read a sweep of an earlier run; say whether it could be."""
        if batch.path is None:
            return False
        try:
            found = json.loads(batch.path.read_text(encoding="utf-8"))
            batch.messages = tuple(Outgoing(str(topic), str(payload)) for topic, payload in found)
        except (OSError, ValueError, TypeError):
            return False
        return bool(batch.messages)

    @staticmethod
    def _forget(batch: Batch) -> None:
        if batch.path is not None:
            with suppress(OSError):
                batch.path.unlink()
