"""A day of one channel as bytes, and back, bit for bit: pure, no database.

Inside the bytes, after one that names the layout, lies compressed with Zstandard (RFC 8878):

- times: steps of a cadence, and what each reading is away from them;
- values: as decimal fractions where every one of them is one exactly, else as numbers of a table of the values that
  occur, else as the bits that they are;
- flags: runs of equal ones.

Whole numbers are written so that small ones of either sign have small codes, byte plane by byte plane: the upper
planes are mostly zero and cost next to nothing.
"""

import struct
import threading
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import zstandard

Times = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]
Flags = npt.NDArray[np.int16]

DAY_MS: Final = 86_400_000
_LAYOUT: Final = 1
_HEAD: Final = struct.Struct("<iiBBBqII")
_ON_GRID, _IN_CHAIN = 0, 1
_DECIMAL, _DECIMAL_DELTA, _TABLE, _BITS = 0, 1, 2, 3
_MOST_DIGITS: Final = 9
_SAMPLE: Final = 16
_EXACT: Final = 2.0**53
"""Beyond it a float64 does not hold every whole number."""
_TABLE_SHARE: Final = 2
"""A table of values pays when each occurs twice on average."""
_BITS_OF_A_BYTE: Final = 8
_LEVEL: Final = 3
_SMALL: Final = np.array([(code >> 1) ^ -(code & 1) for code in range(256)], dtype=np.int64)
"""The whole number that each code of one byte stands for."""


class _Tools(threading.local):
    """Made once for each thread: making them costs as much as packing a day, and two threads must not share them."""

    def __init__(self) -> None:
        self.packer = zstandard.ZstdCompressor(level=_LEVEL)
        self.unpacker = zstandard.ZstdDecompressor()


_TOOLS: Final = _Tools()


class BytesDamagedError(ValueError):
    """These bytes are no day of readings: they are cut off, changed, or of another layout."""


@dataclass(frozen=True, slots=True)
class _Head:
    """What stands before the streams."""

    first: int
    cadence: int
    time_way: int
    value_way: int
    digits: int
    base: int
    table: int
    runs: int


def encode_day(day: int, at: Times, value: Values, flags: Flags) -> bytes:
    """Return the readings of one channel and UTC day as bytes.

    Parameters
    ----------
    day : int
        Days since 1970, UTC.
    at : ndarray of int64, shape (n,), n > 0
        Strictly increasing, all within the day. [ms since 1970, UTC]
    value : ndarray of float64, shape (n,)
    flags : ndarray of int16, shape (n,)

    Raises
    ------
    ValueError
        When there are no readings, or their times are not strictly increasing within the day.
    """
    first = int(at[0]) - day * DAY_MS if len(at) else -1
    spacing = np.diff(at)
    if first < 0 or int(at[-1]) >= (day + 1) * DAY_MS or (len(spacing) and int(spacing.min()) <= 0):
        raise ValueError(f"day {day}: expected readings of that day, each later than the one before it")
    cadence = int(np.partition(spacing, len(spacing) // 2)[len(spacing) // 2]) if len(spacing) else 1
    time_way, times = _times(at, spacing, cadence)
    value_way, digits, base, table, values = _values(value)
    starts = np.flatnonzero(np.diff(flags, prepend=~flags[:1]))
    runs = _put(np.diff(starts, append=len(flags))) + _put(flags[starts].astype(np.int64))
    head = _HEAD.pack(first, cadence, time_way, value_way, digits, base, table, len(starts))
    return bytes((_LAYOUT,)) + _TOOLS.packer.compress(head + times + values + runs)


def decode_day(body: bytes, day: int, count: int) -> tuple[Times, Values, Flags]:
    """Return the times, values and flags that `encode_day` was given.

    Parameters
    ----------
    body : bytes
    day : int
        Days since 1970, UTC.
    count : int
        How many readings they are.

    Raises
    ------
    BytesDamagedError
        When the bytes hold no such day.
    """
    at, value, flags = np.empty(count, np.int64), np.empty(count), np.empty(count, np.int16)
    decode_into(body, day, at, value, flags)
    return at, value, flags


def decode_into(body: bytes, day: int, at: Times, value: Values, flags: Flags) -> None:
    """Fill arrays of the right length with what `encode_day` was given; see `decode_day`."""
    if body[:1] != bytes((_LAYOUT,)):
        raise BytesDamagedError(f"day {day}: the layout of the bytes is not known to this version")
    try:
        plain = _TOOLS.unpacker.decompress(memoryview(body)[1:], allow_extra_data=False)
        head = _Head(*_HEAD.unpack_from(plain))
        streams = _Streams(plain, _HEAD.size)
        _fill_times(at, head, day, streams)
        _fill_values(value, head, streams)
        _fill_flags(flags, head, streams)
        streams.end()
    except (zstandard.ZstdError, struct.error, ValueError, IndexError, OverflowError, MemoryError) as exc:
        raise BytesDamagedError(f"day {day}: the bytes are damaged ({exc})") from exc


def _times(at: Times, spacing: Times, cadence: int) -> tuple[int, bytes]:
    """Return times as steps of the cadence and what is left: from its grid or, where the clock drifts, step by step."""
    since = at[1:] - at[0]
    half = cadence // 2
    on_grid = (since + half) // cadence
    from_grid = since - on_grid * cadence
    in_chain = (spacing + half) // cadence
    from_last = spacing - in_chain * cadence
    if np.abs(from_grid).sum() <= np.abs(from_last).sum():
        return _ON_GRID, _put(np.diff(on_grid, prepend=0) - 1) + _put(from_grid)
    return _IN_CHAIN, _put(in_chain - 1) + _put(from_last)


def _fill_times(at: Times, head: _Head, day: int, streams: "_Streams") -> None:
    start, count = day * DAY_MS + head.first, len(at)
    steps, rest = streams.take(count - 1), streams.take(count - 1)
    if steps is None and (rest is None or head.time_way == _ON_GRID):
        at[:] = np.arange(start, start + count * head.cadence, head.cadence)
        if rest is not None:
            at[1:] += rest
        return
    spacing = np.full(count - 1, head.cadence) if steps is None else (steps + 1) * head.cadence
    if rest is not None and head.time_way == _IN_CHAIN:
        spacing += rest
    at[0] = start
    np.cumsum(spacing, out=at[1:])
    at[1:] += start
    if rest is not None and head.time_way == _ON_GRID:
        at[1:] += rest


def _values(value: Values) -> tuple[int, int, int, int, bytes]:
    """Return how values are written, digits, base, size of the table, and the streams."""
    for digits in range(_MOST_DIGITS + 1):
        whole = _as_decimals(value[:_SAMPLE], digits)
        whole = whole if whole is None else _as_decimals(value, digits)
        if whole is not None:
            way, base, stream = _whole_numbers(whole)
            return way, digits, base, 0, stream
    bits = value.view(np.int64)
    known, which = np.unique(bits, return_inverse=True)
    if len(known) * _TABLE_SHARE > len(bits):
        return _BITS, 0, 0, 0, _planes(bits.view(np.uint64), _BITS_OF_A_BYTE)
    stream = _planes(known.view(np.uint64), _BITS_OF_A_BYTE) + _put(np.diff(which, prepend=0))
    return _TABLE, 0, 0, len(known), stream


def _as_decimals(value: Values, digits: int) -> Times | None:
    """Return values as whole numbers of 10^-digits, or None when one of them would not come back bit for bit."""
    scale = 10.0**digits
    with np.errstate(over="ignore", invalid="ignore"):
        whole = np.rint(value * scale)
        back = whole / scale
    # A negative zero has no whole number of its own: its bits differ from those that come back.
    if not (np.abs(whole) < _EXACT).all() or ((back + 0.0).view(np.int64) != value.view(np.int64)).any():
        return None
    return whole.astype(np.int64)


def _whole_numbers(whole: Times) -> tuple[int, int, bytes]:
    """Return whole numbers about a middle or, where they change little from one to the next, as changes."""
    middle = int(np.rint(whole.mean()))
    changes = np.diff(whole)
    if np.abs(changes).sum() < np.abs(whole - middle).sum():
        return _DECIMAL_DELTA, int(whole[0]), _put(changes)
    return _DECIMAL, middle, _put(whole - middle)


def _fill_values(value: Values, head: _Head, streams: "_Streams") -> None:
    count = len(value)
    if head.value_way == _BITS:
        value.view(np.uint64)[:] = streams.planes(count, _BITS_OF_A_BYTE)
    elif head.value_way == _TABLE:
        table = streams.planes(head.table, _BITS_OF_A_BYTE).view(np.float64)
        changes = streams.take(count)
        value[:] = table[0] if changes is None else table[np.cumsum(changes)]
    elif head.value_way in {_DECIMAL, _DECIMAL_DELTA}:
        scale = 10.0**head.digits
        value[0] = head.base / scale
        part, numbers = (
            (value, streams.take(count)) if head.value_way == _DECIMAL else (value[1:], streams.take(count - 1))
        )
        if numbers is None:
            part[:] = value[0]
            return
        if head.value_way == _DECIMAL_DELTA:
            np.cumsum(numbers, out=numbers)
        numbers += head.base
        np.divide(numbers, scale, out=part)
    else:
        raise ValueError(f"values are written in way {head.value_way}, expected 0 to 3")


def _fill_flags(flags: Flags, head: _Head, streams: "_Streams") -> None:
    lengths, runs = streams.take(head.runs), streams.take(head.runs)
    if lengths is None or int(lengths.min()) <= 0 or int(lengths.sum()) != len(flags):
        raise ValueError("the runs of flags are not as long as the day")
    if runs is None or head.runs == 1:
        flags[:] = 0 if runs is None else runs[0]
    else:
        flags[:] = np.repeat(runs, lengths)


def _put(numbers: Times) -> bytes:
    """Return whole numbers as their width in bytes, 0 when all are zero, and as many byte planes."""
    codes = ((numbers << 1) ^ (numbers >> 63)).view(np.uint64)
    most = int(codes.max()) if len(codes) else 0
    width = (most.bit_length() + 7) // _BITS_OF_A_BYTE
    return bytes((width,)) + _planes(codes, width)


def _planes(codes: npt.NDArray[np.uint64], width: int) -> bytes:
    """Return the lowest `width` bytes of numbers: first the lowest of all, and so on."""
    if width == 1:
        return codes.astype(np.uint8).tobytes()
    return codes.astype("<u8").view(np.uint8).reshape(-1, 8)[:, :width].T.tobytes()


class _Streams:
    """Reads streams one after another."""

    def __init__(self, plain: bytes, start: int) -> None:
        self._plain, self._at = plain, start

    def take(self, count: int) -> Times | None:
        """Return `count` whole numbers that `_put` wrote; None when all are zero."""
        width = self._plain[self._at]
        self._at += 1
        if width == 0:
            return None
        if width == 1:
            return _SMALL.take(self._bytes(count))
        codes = self.planes(count, width)
        numbers = (codes >> np.uint64(1)).view(np.int64)
        numbers ^= -(codes & np.uint64(1)).view(np.int64)
        return numbers

    def planes(self, count: int, width: int) -> npt.NDArray[np.uint64]:
        """Return `count` numbers of `width` byte planes."""
        codes = self._bytes(count).astype(np.uint64)
        for plane in range(1, width):
            codes |= self._bytes(count).astype(np.uint64) << np.uint64(_BITS_OF_A_BYTE * plane)
        return codes

    def _bytes(self, count: int) -> npt.NDArray[np.uint8]:
        found = np.frombuffer(self._plain, np.uint8, count, self._at)
        self._at += count
        return found

    def end(self) -> None:
        """Refuse bytes that are left over."""
        if self._at != len(self._plain):
            raise ValueError(f"{len(self._plain) - self._at} bytes are left over")
