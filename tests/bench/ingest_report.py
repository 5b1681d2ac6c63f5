"""What a listener reports of a stream."""

import time
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment of a stream: readings stored so far, when [s], and the processor time so far [s]."""

    stored: int
    at: float
    cpu: float


def marked(stored: int) -> Mark:
    """Return this moment."""
    return Mark(stored, time.perf_counter(), time.process_time())


@dataclass(frozen=True, slots=True)
class IngestReport:
    """How a stream was taken.

    Attributes
    ----------
    stored : int
        Readings on disk.
    began, ended : Mark
        After the first commit, and after the last acknowledgement: what is done once at the start is no part of it.
    commits : int
        From then on.
    """

    stored: int
    began: Mark
    ended: Mark
    commits: int

    @property
    def counted(self) -> int:
        """Readings stored between the marks."""
        return self.ended.stored - self.began.stored

    @property
    def a_second(self) -> float:
        """Readings stored a second."""
        return self.counted / (self.ended.at - self.began.at)

    @property
    def cpu_a_reading(self) -> float:
        """Processor time that the process took for a reading. [s]."""
        return (self.ended.cpu - self.began.cpu) / self.counted
