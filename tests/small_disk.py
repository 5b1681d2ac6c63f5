"""A file system of a few megabytes of its own: a real full disk, and a real read-only one. Needs the right to mount."""

import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest


@dataclass(frozen=True, slots=True)
class Disk:
    """A small file system, mounted at a folder."""

    folder: Path

    @contextmanager
    def filled(self, free: int) -> Iterator[None]:
        """Fill it but for so many bytes, for a while."""
        ballast = self.folder / "ballast"
        ballast.write_bytes(bytes(max(shutil.disk_usage(self.folder).free - free, 0)))
        try:
            yield
        finally:
            ballast.unlink()

    @contextmanager
    def read_only(self) -> Iterator[None]:
        """Let nobody write to it, for a while."""
        _mount("-o", "remount,ro", str(self.folder))
        try:
            yield
        finally:
            _mount("-o", "remount,rw", str(self.folder))


@contextmanager
def small_disk(mebibytes: int) -> Iterator[Disk]:
    folder = Path(tempfile.mkdtemp(prefix="wardian-disk-"))
    folder.chmod(0o755)
    _mount("-t", "tmpfs", "-o", f"size={mebibytes}m,mode=755", "tmpfs", str(folder))
    try:
        yield Disk(folder)
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)
        folder.rmdir()


def _mount(*words: str) -> None:
    done = subprocess.run(["mount", *words], capture_output=True, text=True, check=False)
    if done.returncode != 0:
        pytest.fail(f"cannot mount a small disk ({done.stderr.strip()}): run the tests as root")
