"""What a listener reports of a stream."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class IngestReport:
    """How a stream was taken.

    Attributes
    ----------
    seconds : float
        From the first message's arrival to the last acknowledgement. [s]
    stored : int
        Readings on disk.
    commits : int
    cpu : float
        Processor time of the process in that span. [s]
    """

    seconds: float
    stored: int
    commits: int
    cpu: float

    @property
    def a_second(self) -> float:
        """Readings stored a second."""
        return self.stored / self.seconds
