"""A day of one channel as bytes, and back, bit for bit: pure, no database.

Inside the bytes, after one that names the layout and a head, lie streams of whole numbers (`block_streams`):

- times: steps of a cadence, and what each reading is away from them;
- values: as decimal fractions where every one of them is one exactly, in steps of what all have in common, else as
  numbers of a table of the values that occur, else as the bits that they are;
- flags: runs of equal ones.

The first layout, which is still read, compressed head and streams together; the second compresses each stream alone.
"""

import struct
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import zstandard

from service.store.block_streams import BITS_OF_A_BYTE, Streams, put, put_planes

Times = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]
Flags = npt.NDArray[np.int16]

DAY_MS: Final = 86_400_000
_TOGETHER, _APART = b"\x01", b"\x02"
"""Layouts: all compressed as one, or each stream by itself."""
_HEAD: Final = struct.Struct("<iiBBBqII")
_FROM_FIRST, _IN_CHAIN, _ON_GRID = 0, 1, 2
"""How times are written; the first layout's grid began at the first reading, and is only read."""
_DECIMAL, _DECIMAL_DELTA, _TABLE, _BITS = 0, 1, 2, 3
_MOST_DIGITS: Final = 9
_SAMPLE: Final = 16
_EXACT: Final = 2.0**53
"""Beyond it a float64 does not hold every whole number."""
_TABLE_SHARE: Final = 2
"""A table of values pays when each occurs twice on average."""
_LONGEST_STEP: Final = 2**32


class BytesDamagedError(ValueError):
    """These bytes are no day of readings: they are cut off, changed, or of another layout."""


@dataclass(frozen=True, slots=True)
class _Head:
    """What stands before the streams; `extra` is the size of a table, or the step between decimals."""

    first: int
    cadence: int
    time_way: int
    value_way: int
    digits: int
    base: int
    extra: int
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
    time_way, shift, times = _times(at, spacing, cadence)
    value_way, digits, base, extra, values = _values(value)
    starts = np.flatnonzero(np.diff(flags, prepend=~flags[:1]))
    runs = put(np.diff(starts, append=len(flags))) + put(flags[starts].astype(np.int64))
    head = _HEAD.pack(first + shift, cadence, time_way, value_way, digits, base, extra, len(starts))
    return _APART + head + times + values + runs


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
    layout, plain = body[:1], body[1:]
    if layout not in {_TOGETHER, _APART}:
        raise BytesDamagedError(f"day {day}: the layout of the bytes is not known to this version")
    try:
        if layout == _TOGETHER:
            plain = zstandard.ZstdDecompressor().decompress(plain, allow_extra_data=False)
        head = _Head(*_HEAD.unpack_from(plain))
        streams = Streams(plain, _HEAD.size, packed=layout == _APART)
        _fill_times(at, head, day, streams)
        _fill_values(value, head, streams)
        _fill_flags(flags, head, streams)
        streams.end()
    except (zstandard.ZstdError, struct.error, ValueError, IndexError, OverflowError, MemoryError) as exc:
        raise BytesDamagedError(f"day {day}: the bytes are damaged ({exc})") from exc


def _times(at: Times, spacing: Times, cadence: int) -> tuple[int, int, bytes]:
    """Return times as steps of the cadence and what is left: from a grid or, where the clock drifts, step by step.

    A grid begins at the first reading, or as much later as most readings are: the second number.
    """
    since = at - at[0]
    half = cadence // 2
    on_grid = (since + half) // cadence
    from_grid = since - on_grid * cadence
    shift = int(np.partition(from_grid, len(at) // 2)[len(at) // 2])
    from_grid -= shift
    in_chain = (spacing + half) // cadence
    from_last = spacing - in_chain * cadence
    if np.abs(from_grid).sum() <= np.abs(from_last).sum():
        return _ON_GRID, shift, put(np.diff(on_grid) - 1) + put(from_grid)
    return _IN_CHAIN, 0, put(in_chain - 1) + put(from_last)


def _fill_times(at: Times, head: _Head, day: int, streams: Streams) -> None:
    start, count = day * DAY_MS + head.first, len(at)
    steps = streams.take(count - 1)
    rest = streams.take(count if head.time_way == _ON_GRID else count - 1)
    if steps is None and (rest is None or head.time_way != _IN_CHAIN):
        at[:] = np.arange(start, start + count * head.cadence, head.cadence)
    else:
        spacing = np.full(count - 1, head.cadence) if steps is None else (steps + 1) * head.cadence
        if rest is not None and head.time_way == _IN_CHAIN:
            spacing += rest
        at[0] = start
        np.cumsum(spacing, out=at[1:])
        at[1:] += start
    if rest is not None and head.time_way != _IN_CHAIN:
        at[count - len(rest) :] += rest


def _values(value: Values) -> tuple[int, int, int, int, bytes]:
    """Return how values are written, digits, base, the step or the size of the table, and the streams."""
    for digits in range(_MOST_DIGITS + 1):
        whole = _as_decimals(value[:_SAMPLE], digits)
        whole = whole if whole is None else _as_decimals(value, digits)
        if whole is not None:
            way, base, step, stream = _whole_numbers(whole)
            return way, digits, base, step, stream
    bits = value.view(np.int64)
    known, which = np.unique(bits, return_inverse=True)
    if len(known) * _TABLE_SHARE > len(bits):
        return _BITS, 0, 0, 0, put_planes(bits.view(np.uint64), BITS_OF_A_BYTE)
    stream = put_planes(known.view(np.uint64), BITS_OF_A_BYTE) + put(np.diff(which, prepend=0))
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


def _whole_numbers(whole: Times) -> tuple[int, int, int, bytes]:
    """Return whole numbers in steps about a middle or, where they change little from one to the next, as changes."""
    first, changes = int(whole[0]), np.diff(whole)
    step = _common_step(changes)
    if step > 1:
        changes //= step
    steps = (whole - first) // step
    middle = int(np.rint(steps.mean()))
    if np.abs(changes).sum() < np.abs(steps - middle).sum():
        return _DECIMAL_DELTA, first, step, put(changes)
    return _DECIMAL, first + step * middle, step, put(steps - middle)


def _common_step(changes: Times) -> int:
    """Return the greatest number that divides all changes; an element's resolution is often coarser than its digits."""
    step = int(np.gcd.reduce(changes[:_SAMPLE], initial=0))
    if step != 1:
        step = int(np.gcd.reduce(changes, initial=0))
    return step if 0 < step < _LONGEST_STEP else 1


def _fill_values(value: Values, head: _Head, streams: Streams) -> None:
    count = len(value)
    if head.value_way == _BITS:
        value.view(np.uint64)[:] = streams.planes(count, BITS_OF_A_BYTE)
    elif head.value_way == _TABLE:
        table = streams.planes(head.extra, BITS_OF_A_BYTE).view(np.float64)
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
        if head.extra > 1:
            numbers *= head.extra
        numbers += head.base
        np.divide(numbers, scale, out=part)
    else:
        raise ValueError(f"values are written in way {head.value_way}, expected 0 to 3")


def _fill_flags(flags: Flags, head: _Head, streams: Streams) -> None:
    lengths, runs = streams.take(head.runs), streams.take(head.runs)
    if lengths is None or int(lengths.min()) <= 0 or int(lengths.sum()) != len(flags):
        raise ValueError("the runs of flags are not as long as the day")
    if runs is None or head.runs == 1:
        flags[:] = 0 if runs is None else runs[0]
    else:
        flags[:] = np.repeat(runs, lengths)
