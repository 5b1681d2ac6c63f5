"""Whole numbers as bytes, and back: how a sealed day writes its times, values and flags. Pure, no database.

A number's code is small when the number is near zero, whatever its sign. The lowest bits of codes that spread widely
are noise: they are written as they are, and only what is above them is compressed (Zstandard, RFC 8878, without the
magic number), each byte plane by itself, because each has its own distribution.
"""

import struct
import threading
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt
import zstandard

Numbers: TypeAlias = npt.NDArray[np.int64]
Codes: TypeAlias = npt.NDArray[np.uint64]
Bytes: TypeAlias = npt.NDArray[np.uint8]

BITS_OF_A_BYTE: Final = 8
_LEVEL: Final = 1
"""Higher ones look longer for repetitions, of which noise has none that pay."""
_WIDTH: Final = 0x0F
_LOW_SHIFT: Final = 4
_MOST_LOW: Final = 7
_SHAPE_BITS: Final = 2
"""So many of the bits of a middling code show how codes are spread; those below look alike in all."""
_FEWEST: Final = 64
"""Fewer bytes are not worth compressing."""
_LENGTH: Final = struct.Struct("<I")
_SMALL: Final = np.array([(code >> 1) ^ -(code & 1) for code in range(256)], dtype=np.int64)
"""The whole number that each code of one byte stands for."""


class _Tools(threading.local):
    """Made once for each thread: making them costs as much as packing a day, and two threads must not share them."""

    def __init__(self) -> None:
        bare = zstandard.FORMAT_ZSTD1_MAGICLESS
        how = zstandard.ZstdCompressionParameters.from_level(_LEVEL, format=bare, write_content_size=1)
        self.packer = zstandard.ZstdCompressor(compression_params=how)
        self.unpacker = zstandard.ZstdDecompressor(format=bare)


_TOOLS: Final = _Tools()


def put(numbers: Numbers) -> bytes:
    """Return whole numbers as bytes: a byte that says how, then the low bits, then the byte planes above them."""
    codes = ((numbers << 1) ^ (numbers >> 63)).view(np.uint64)
    low = _low_bits(codes)
    plain = _put_codes(codes, 0)
    if not low:
        return plain
    # Where the low bits are no noise, what repeats in them is worth more.
    return min(plain, _put_codes(codes, low), key=len)


def _low_bits(codes: Codes) -> int:
    if len(codes) < _FEWEST:
        return 0
    return min(max(int(codes.mean()).bit_length() - _SHAPE_BITS, 0), _MOST_LOW)


def _put_codes(codes: Codes, low: int) -> bytes:
    above = codes >> np.uint64(low) if low else codes
    most = int(above.max()) if len(above) else 0
    width = (most.bit_length() + 7) // BITS_OF_A_BYTE
    head = bytes((width | low << _LOW_SHIFT,))
    return head + (_put_bits(codes, low) if low else b"") + put_planes(above, width)


def _put_bits(codes: Codes, low: int) -> bytes:
    """Return the lowest bits of all, then the next of all, and so on, eight to a byte."""
    lowest = codes.astype(np.uint8)
    return b"".join(np.packbits(lowest & np.uint8(1 << bit)).tobytes() for bit in range(low))


def put_planes(codes: Codes, width: int) -> bytes:
    """Return the lowest `width` bytes of numbers, plane by plane: its length when it is compressed, 0 when not."""
    if width == 1:
        return _put_plane(codes.astype(np.uint8).tobytes())
    planes = codes.astype("<u8").view(np.uint8).reshape(-1, 8)
    return b"".join(_put_plane(planes[:, plane].tobytes()) for plane in range(width))


def _put_plane(plane: bytes) -> bytes:
    if len(plane) >= _FEWEST:
        packed = _TOOLS.packer.compress(plane)
        if len(packed) < len(plane):
            return _LENGTH.pack(len(packed)) + packed
    return _LENGTH.pack(0) + plane


class Streams:
    """Reads one stream of numbers after another, as `put` and `put_planes` wrote them.

    Parameters
    ----------
    body : bytes
    start : int
        Where the first one begins.
    packed : bool
        Whether planes are compressed one by one; in the first layout all of it was, as a whole.
    """

    def __init__(self, body: bytes, start: int, *, packed: bool) -> None:
        self._body, self._at, self._packed = memoryview(body), start, packed

    def take(self, count: int) -> Numbers | None:
        """Return `count` whole numbers; None when all are zero."""
        how = self._body[self._at]
        self._at += 1
        width, low = how & _WIDTH, how >> _LOW_SHIFT
        if not low and width <= 1:
            return _SMALL.take(self._plane(count)) if width else None
        lowest = self._bits(count, low) if low else None
        if lowest is not None and width <= 1:
            # Two bytes hold all of such a code, and take a quarter of the time of eight.
            short = self._plane(count).astype(np.uint16) << np.uint16(low) if width else np.zeros(count, np.uint16)
            short |= lowest
            small = (short >> np.uint16(1)).view(np.int16)
            small ^= -(short & np.uint16(1)).view(np.int16)
            return small.astype(np.int64)
        codes = self.planes(count, width)
        if lowest is not None:
            codes <<= np.uint64(low)
            codes |= lowest
        numbers = (codes >> np.uint64(1)).view(np.int64)
        numbers ^= -(codes & np.uint64(1)).view(np.int64)
        return numbers

    def planes(self, count: int, width: int) -> Codes:
        """Return `count` numbers of `width` byte planes."""
        codes = self._plane(count).astype(np.uint64) if width else np.zeros(count, np.uint64)
        for plane in range(1, width):
            codes |= self._plane(count).astype(np.uint64) << np.uint64(BITS_OF_A_BYTE * plane)
        return codes

    def _bits(self, count: int, low: int) -> Bytes:
        rows = -(-count // BITS_OF_A_BYTE)
        bits = np.unpackbits(self._bytes(low * rows).reshape(low, rows), axis=1, count=count)
        lowest = bits[0].copy()
        for bit in range(1, low):
            lowest |= bits[bit] << np.uint8(bit)
        return lowest

    def _plane(self, count: int) -> Bytes:
        if not self._packed:
            return self._bytes(count)
        (length,) = _LENGTH.unpack_from(self._body, self._at)
        self._at += _LENGTH.size
        if not length:
            return self._bytes(count)
        self._at += length
        packed = self._body[self._at - length : self._at]
        plane = np.frombuffer(_TOOLS.unpacker.decompress(packed, allow_extra_data=False), np.uint8)
        if len(plane) != count:
            raise ValueError(f"a plane holds {len(plane)} bytes, expected {count}")
        return plane

    def _bytes(self, count: int) -> Bytes:
        found = np.frombuffer(self._body, np.uint8, count, self._at)
        self._at += count
        return found

    def end(self) -> None:
        """Refuse bytes that are left over."""
        if self._at != len(self._body):
            raise ValueError(f"{len(self._body) - self._at} bytes are left over")
