"""A made tree of the kernel's files, with probes that come, go and fail."""

import shutil
from pathlib import Path

from sensors.readers.one_wire import crc8


def slave_text(raw: int, *, spoilt: bool = False) -> str:
    """Return a `w1_slave` file for a raw code of a sixteenth of a degree."""
    data = raw.to_bytes(2, "little", signed=True) + bytes.fromhex("4b467fff0c10")
    crc = crc8(data)
    shown = " ".join(f"{byte:02x}" for byte in (*data, crc))
    said = f"{crc ^ 0xFF:02x} NO" if spoilt else f"{crc:02x} YES"
    return f"{shown} : crc={said}\n{shown} t={int(raw / 16 * 1000)}\n"


class KernelTree:
    """The part of ``/sys`` that the readers look at, below a folder of a test."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def thermometer(self, number: str, raw: int, *, spoilt: bool = False) -> Path:
        """Put a 1-wire thermometer on the bus, or let it say something else."""
        folder = self.root / "bus/w1/devices" / number
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "w1_slave").write_text(slave_text(raw, spoilt=spoilt))
        return folder

    def element(self, number: int, address: str, name: str, **files: object) -> Path:
        """Plug in an element: its folder stands on its bus, and a link leads to it, as the kernel has it."""
        folder = self.root / "devices/i2c-1" / address / f"iio:device{number}"
        folder.mkdir(parents=True, exist_ok=True)
        for file, value in {"name": name, **files}.items():
            (folder / file).write_text(f"{value}\n")
        link = self.root / "bus/iio/devices" / f"iio:device{number}"
        link.parent.mkdir(parents=True, exist_ok=True)
        if not link.exists():
            link.symlink_to(folder)
        return folder

    def unplug(self, number: str) -> None:
        """Take a 1-wire thermometer off the bus."""
        shutil.rmtree(self.root / "bus/w1/devices" / number)
