"""Which messages of a resumed session were stored before (pure).

A broker sends again what was not acknowledged. Most keep the packet identifier and set DUP, as MQTT asks
(MQTT-4.4.0-1); the embedded broker numbers anew and clears DUP, so there only the order tells.
"""

from collections.abc import Sequence

from service.ingest.arrivals import Arrival, digest_of
from service.store.intake import ReceiptEntry


class ByIdentifier:
    """Knows a repeated message by its packet identifier, its DUP flag and its digest."""

    def __init__(self, stored: Sequence[ReceiptEntry]) -> None:
        self._digests = {entry.packet: entry.digest for entry in stored}

    def repeated(self, window: Sequence[Arrival]) -> list[bool]:
        """Say of each message whether it was stored before."""
        return [arrival.duplicate and self._digests.get(arrival.packet) == digest_of(arrival) for arrival in window]


class ByOrder:
    """Knows repeated messages as the tail of what was stored, at the head of the first window after a resume.

    Parameters
    ----------
    stored : sequence of ReceiptEntry
        The oldest first.
    window : int
        How many messages the broker sends before it waits for acknowledgements.
    """

    def __init__(self, stored: Sequence[ReceiptEntry], window: int) -> None:
        self._tail = [entry.digest for entry in stored[-window:]]

    def repeated(self, window: Sequence[Arrival]) -> list[bool]:
        """Say of each message whether it was stored before; only the first call can say yes."""
        head = [digest_of(arrival) for arrival in window[: len(self._tail)]]
        longest = next((n for n in range(len(head), 0, -1) if self._tail[-n:] == head[:n]), 0)
        self._tail = []
        return [position < longest for position in range(len(window))]
