# ruff: noqa: INP001 - copied to a board as it is: it is no part of a package there
"""What the probe thinks, without its hardware: readings into messages, and what waits while the network is away.

Runs under MicroPython on the board and under CPython in the tests: nothing here knows a pin or a socket.
"""

# MicroPython passes over annotations, so they name nothing that it lacks; it has no dataclasses, enums or time zones.

try:  # noqa: SIM105 - a board has no contextlib
    from collections.abc import Callable
except ImportError:  # nor this
    pass

EPOCH_2000 = 946_684_800
"""Seconds from 1970 to 2000: boards count from either, `utc_seconds` gives 1970 always."""
EARLIEST = 1_704_067_200
"""2024-01-01T00:00:00Z: a clock before it was never set."""
POWER_ON = 85.0
"""What a 1-wire thermometer shows when it was started and did not measure [°C]."""
LOWEST, HIGHEST = -55, 125
"""What it can show at all [°C]."""
SHT3X_BYTES = 6
"""Of an answer: two values, each with its check byte."""
COUNTS_FROM_2000 = 2000
"""The year that some boards count from."""


def crc8_sht(data: bytes) -> int:
    """Return the check byte of an I2C humidity part: polynomial 0x31, from 0xFF (SHT3x-DIS datasheet, table 20)."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = ((crc << 1) ^ 0x31) & 0xFF if crc & 0x80 else (crc << 1) & 0xFF
    return crc


def decoded_sht3x(answer: bytes) -> "tuple[float, float] | None":
    """Return (temperature [°C], humidity [%RH]) of six bytes of an sht31, or None where a check byte is wrong.

    SHT3x-DIS datasheet, 4.13: T = -45 + 175·S/65535, RH = 100·S/65535.
    """
    if len(answer) != SHT3X_BYTES or crc8_sht(answer[0:2]) != answer[2] or crc8_sht(answer[3:5]) != answer[5]:
        return None
    warm, wet = answer[0] << 8 | answer[1], answer[3] << 8 | answer[4]
    return -45 + 175 * warm / 65535, 100 * wet / 65535


def checked_ds18b20(celsius: "float | None") -> "float | None":
    """Return a 1-wire temperature [°C], or None where the element cannot have measured it."""
    if celsius is None or celsius == POWER_ON or not LOWEST <= celsius <= HIGHEST:
        return None
    return celsius


def utc_seconds(now: float, year_of_zero: int) -> "int | None":
    """Return seconds since 1970 from a board's clock, or None while it was never set.

    `now` is `time.time()`, `year_of_zero` the first item of `time.gmtime(0)`: 1970 or 2000.
    """
    seconds = int(now) + (EPOCH_2000 if year_of_zero == COUNTS_FROM_2000 else 0)
    return seconds if seconds >= EARLIEST else None


def message(values: "dict[str, float | None]", at: "int | None") -> "str | None":
    """Return a reading as JSON: values by name, rounded, and its time in seconds since 1970 where that is known.

    What is None is left out; of nothing, None is returned. Written by hand: a board's `json` gives 23.100000000000001.
    """
    parts = [f'"{name}": {values[name]:.2f}' for name in sorted(values) if values[name] is not None]
    if not parts:
        return None
    if at is not None:
        parts.insert(0, f'"at": {at}')
    return "{" + ", ".join(parts) + "}"


class Waiting:
    """What waits for the network, in order; of too much, the oldest gives way.

    Only readings with a time of their own wait: one without would be taken for a reading of its arrival.
    """

    def __init__(self, most: int = 500) -> None:
        self.most = most
        self.dropped = 0
        self._messages: list[tuple[str, bool]] = []

    def __len__(self) -> int:
        """Return how many wait."""
        return len(self._messages)

    def add(self, text: "str | None", has_time: bool) -> None:
        """Let a reading wait; one without a time takes the place of the last of its kind."""
        if text is None:
            return
        if self._messages and not has_time and not self._messages[-1][1]:
            self._messages.pop()
            self.dropped += 1
        self._messages.append((text, has_time))
        while len(self._messages) > self.most:
            self._messages.pop(0)
            self.dropped += 1

    def send(self, publish: "Callable[[str], None]", most: int = 50) -> int:
        """Hand the oldest to `publish(text)` until one fails or `most` are sent; return how many were taken.

        `publish` returns when the broker has acknowledged, and raises OSError when it did not: then the message stays.
        """
        sent = 0
        while self._messages and sent < most:
            try:
                publish(self._messages[0][0])
            except OSError:
                break
            self._messages.pop(0)
            sent += 1
        return sent


class Pace:
    """When the next reading is due, on a counter that runs over, as a board's milliseconds do."""

    def __init__(
        self,
        every_ms: int,
        now: int,
        ticks_diff: "Callable[[int, int], int]",
        ticks_add: "Callable[[int, int], int]",
    ) -> None:
        self._every, self._diff, self._add = every_ms, ticks_diff, ticks_add
        self._due = now

    def is_due(self, now: int) -> bool:
        """Say whether to read now; a pace that was missed is not made up for."""
        if self._diff(now, self._due) < 0:
            return False
        self._due = self._add(self._due, self._every)
        if self._diff(now, self._due) >= 0:
            self._due = self._add(now, self._every)
        return True


class Backoff:
    """How long to wait before the network is tried again: twice as long each time, to a ceiling."""

    def __init__(self, first_ms: int = 1_000, most_ms: int = 60_000) -> None:
        self._first, self._most = first_ms, most_ms
        self._next = first_ms

    def failed(self) -> int:
        """Return how long to wait now [ms]."""
        wait = self._next
        self._next = min(self._most, 2 * self._next)
        return wait

    def worked(self) -> None:
        """Begin anew: the network is there."""
        self._next = self._first
