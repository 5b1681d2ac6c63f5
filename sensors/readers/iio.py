"""Elements behind the kernel's industrial I/O files: ready values, or raw ones with their scale and offset."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from sensors.readers.kernel_files import Sensed, UnreadError, number_of, text_of

DEVICES: Final = Path("bus/iio/devices")
"""Below the root of the kernel's files."""
_DEVICE: Final = re.compile(r"iio:device(\d+)")
_ON_BUS: Final = re.compile(r"\d+-[0-9a-f]{4}")
_CHANNEL: Final = re.compile(r"in_(temp|humidityrelative|illuminance)(_?[a-z0-9]*)_(input|raw)")
_FIELDS: Final = {
    "temp": ("temperature", 1000.0),
    "humidityrelative": ("humidity", 1000.0),
    "illuminance": ("illuminance", 1.0),
}
"""Field of the message, and how many of the kernel's units are one of ours: it gives thousandths of °C and of %RH, and
lux as they are (Documentation/ABI/testing/sysfs-bus-iio)."""
_REACH: Final = {"temperature": (-60.0, 150.0), "humidity": (-10.0, 110.0), "illuminance": (0.0, 500_000.0)}
"""What lies beyond is no measurement: a line that floats, or a wrong scale."""


def read_iio(root: Path) -> Iterator[Sensed]:
    """Yield every element that measures air or light and is there now, in order of its number.

    Parameters
    ----------
    root : Path
        Of the kernel's files: ``/sys``, or a made tree.
    """
    try:
        folders = sorted((root / DEVICES).iterdir(), key=lambda path: (len(path.name), path.name))
    except OSError:
        return
    for folder in folders:
        if _DEVICE.fullmatch(folder.name) and (channels := _channels(folder)):
            yield _sensed(folder, channels)


def device_name(folder: Path) -> str:
    """Return a name that stays while the element stays on its bus: its kind, and its bus and address.

    The number of ``iio:device0`` is given in the order of plugging, so it is taken only where no bus is known.
    """
    try:
        kind = re.sub(r"[^a-z0-9]+", "-", text_of(folder / "name").lower()).strip("-")
    except UnreadError:
        kind = ""
    where = next((part for part in reversed(folder.resolve().parts[:-1]) if _ON_BUS.fullmatch(part)), "")
    number = _DEVICE.fullmatch(folder.name)
    last = where or (number[1] if number else "0")
    return "-".join(filter(None, ("iio", kind[:32], last)))


def _channels(folder: Path) -> dict[str, tuple[str, str, str]]:
    """Return the first channel of each field: its kind, its modifier and whether it is raw."""
    found: dict[str, tuple[str, str, str]] = {}
    try:
        names = sorted(path.name for path in folder.iterdir())
    except OSError:
        return found
    # An input is ready; where there is none, the raw value is scaled. Sorted, "input" comes before "raw".
    for name in names:
        match = _CHANNEL.fullmatch(name)
        if match:
            found.setdefault(_FIELDS[match[1]][0], (match[1], match[2], match[3]))
    return found


def _sensed(folder: Path, channels: dict[str, tuple[str, str, str]]) -> Sensed:
    values: dict[str, float] = {}
    why_not: list[str] = []
    for field, (kind, modifier, form) in channels.items():
        try:
            values[field] = _value(folder, field, f"in_{kind}{modifier}", form, _FIELDS[kind][1])
        except UnreadError as exc:
            why_not.append(f"{field}: {exc}")
    return Sensed(device_name(folder), values, tuple(why_not))


def _value(folder: Path, field: str, stem: str, form: str, per_unit: float) -> float:
    kernel = number_of(folder / f"{stem}_{form}")
    if form == "raw":
        kernel = (kernel + _shared(folder, stem, "offset", 0.0)) * _shared(folder, stem, "scale", 1.0)
    value = round(kernel / per_unit, 4)
    low, high = _REACH[field]
    if not low <= value <= high:
        raise UnreadError(
            f"it shows {value:g}, expected {low:g} to {high:g}: check the element, its lead and its driver"
        )
    return value


def _shared(folder: Path, stem: str, what: str, otherwise: float) -> float:
    """Return a scale or an offset: of the channel, or shared by all of its kind."""
    for name in dict.fromkeys((f"{stem}_{what}", f"in_{stem.split('_')[1]}_{what}")):
        if (folder / name).exists():
            return number_of(folder / name)
    return otherwise
