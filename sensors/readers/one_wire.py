"""Thermometers on the kernel's 1-wire bus: `w1_slave` with its check byte, or the `temperature` file."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from sensors.readers.kernel_files import Sensed, UnreadError, text_of

DEVICES: Final = Path("bus/w1/devices")
"""Below the root of the kernel's files."""
FAMILIES: Final = frozenset({"10", "22", "28", "3b", "42"})
"""Family codes of the thermometers that the kernel's driver reads."""
POWER_ON: Final = 85.0
"""What the element shows when it was started and did not measure (DS18B20 datasheet, table 1) [°C]."""
LOWEST, HIGHEST = -55.0, 125.0
"""What the element can show at all [°C]."""
_NAME: Final = re.compile(r"([0-9a-f]{2})-[0-9a-f]{12}")
_BYTES: Final = re.compile(r"((?:[0-9a-f]{2} ){9}): crc=([0-9a-f]{2}) (YES|NO)", re.ASCII)
_VALUE: Final = re.compile(r"(?:[0-9a-f]{2} ){9}t=(-?\d+)", re.ASCII)
_POLYNOMIAL: Final = 0x8C


def crc8(data: bytes) -> int:
    """Return the 1-wire check byte of some bytes: x⁸ + x⁵ + x⁴ + 1, reflected, from zero.

    References
    ----------
    .. [1] DS18B20 datasheet, "CRC generation".
    """
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ _POLYNOMIAL if crc & 1 else crc >> 1
    return crc


def parsed_slave(text: str) -> float:
    """Return the temperature of a `w1_slave` file.

    Parameters
    ----------
    text : str
        Two lines: nine bytes with their check byte and ``YES`` or ``NO``; the same with ``t=`` in thousandths of °C.

    Returns
    -------
    float
        [°C]

    Raises
    ------
    UnreadError
        The bytes were spoilt on the way, the line is dead, or the element did not measure.
    """
    lines = text.splitlines()
    first = _BYTES.fullmatch(lines[0].strip()) if lines else None
    second = _VALUE.fullmatch(lines[1].strip()) if len(lines) > 1 else None
    if first is None or second is None:
        raise UnreadError("w1_slave is not of its form: is the driver w1_therm loaded?")
    data = bytes.fromhex(first[1])
    if first[3] != "YES" or crc8(data[:8]) != data[8]:
        raise UnreadError("the check byte is wrong (CRC): check the lead's length, the pull-up and what runs beside it")
    if not any(data):
        # Zeros have a right check byte: that is a line held low, not 0 °C, whose other bytes are not zero.
        raise UnreadError("all bytes are zero: the data line is shorted or has no pull-up")
    return checked(int(second[1]) / 1000)


def checked(celsius: float) -> float:
    """Return a temperature unless the element cannot have measured it.

    Raises
    ------
    UnreadError
        It is the value after power-on, or beyond what the element can show. [°C]
    """
    if celsius == POWER_ON:
        raise UnreadError("it shows 85 °C, its value after power-on: it has not measured; check its supply")
    if not LOWEST <= celsius <= HIGHEST:
        raise UnreadError(f"it shows {celsius:g} °C, expected {LOWEST:g} to {HIGHEST:g}")
    return celsius


def read_one_wire(root: Path) -> Iterator[Sensed]:
    """Yield every thermometer that is on the bus now, in order of its number.

    Parameters
    ----------
    root : Path
        Of the kernel's files: ``/sys``, or a made tree.
    """
    try:
        names = sorted(path.name for path in (root / DEVICES).iterdir())
    except OSError:
        return
    for name in names:
        found = _NAME.fullmatch(name)
        if found and found[1] in FAMILIES:
            yield _sensed(root / DEVICES / name)


def _sensed(folder: Path) -> Sensed:
    device = f"w1-{folder.name}"
    try:
        return Sensed(device, {"temperature": _temperature(folder)})
    except UnreadError as exc:
        return Sensed(device, {}, (str(exc),))


def _temperature(folder: Path) -> float:
    slave = folder / "w1_slave"
    if slave.exists():
        return parsed_slave(text_of(slave))
    text = text_of(folder / "temperature")
    if not re.fullmatch(r"-?\d{1,6}", text):
        raise UnreadError(f"temperature says {text[:20]!r}, expected thousandths of °C")
    return checked(int(text) / 1000)
