"""The pictures of the guides: the demo in a real browser at three sizes, kept in docs/pictures.

``make pictures`` runs the demo for some minutes, looks at its pages, writes each picture anew and removes the others.
"""

import base64
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from playwright.sync_api import Browser, sync_playwright

FOLDER: Final = Path(__file__).parents[2] / "docs" / "pictures"
MOST_BYTES: Final = 4_000_000
_QUALITY: Final = 60
_SETTLES_MS: Final = 2_000
"""Until a chart is drawn, and a live page has heard from the service."""
_SIZES: Final = {"wall": (1920, 1080), "desk": (1280, 800), "phone": (390, 844)}
_PATIENCE_S: Final = 300.0
_ADDRESS: Final = re.compile(r"http://127\.0\.0\.1:\d+")


PAGES: Final = {
    "room": "/",
    "enclosure": "/enclosures/rack-a-2-1",
    "alarms": "/alarms",
    "load": "/alarms/load",
    "probes": "/probes",
    "profiles": "/profiles",
    "profile-edit": "/profiles/pogona-vitticeps/edit",
    "animals": "/animals",
    "animal": "/animals/Nettle",
    "journal": "/journal",
    "clutches": "/clutches",
    "care": "/care",
    "look-back": "/look-back",
    "report": "/look-back?animal=Nettle",
    "compare": "/compare?a=rack-a-2-1&b=rack-a-2-2",
    "set-up": "/set-up",
    "set-up-enclosure": "/set-up/enclosures/rack-a-2-1",
    "telling": "/telling",
    "labels": "/labels",
}
"""What is taken, at every size: the name of a page's pictures, and where it is."""
DARK: Final = ("room", "enclosure", "alarms", "animals", "care")
"""Taken in the dark theme too: what is looked at in the evening."""


@dataclass(frozen=True, slots=True)
class Shot:
    """A picture: its name, the page, the size (a word of `_SIZES`) and the theme."""

    name: str
    path: str
    size: str
    theme: Literal["light", "dark"]


def shots() -> Iterator[Shot]:
    """Yield every picture: each page at each size, some in the dark theme too."""
    for name, path in PAGES.items():
        for size in _SIZES:
            yield Shot(f"{name}-{size}", path, size, "light")
            if name in DARK:
                yield Shot(f"{name}-{size}-dark", path, size, "dark")


@contextmanager
def demo() -> Iterator[str]:
    """Run the demo in a folder of its own, and give its address once it is open."""
    with tempfile.TemporaryDirectory(prefix="wardian-pictures-") as folder:
        command = [sys.executable, "-u", "-m", "service", "demo", "--port", "0"]
        process = subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        try:
            yield _address(process)
            process.terminate()
            process.wait(30)
        finally:
            if process.poll() is None:
                process.kill()


def _address(process: "subprocess.Popen[str]") -> str:
    until = time.monotonic() + _PATIENCE_S
    for line in process.stdout or ():
        if found := _ADDRESS.search(line):
            return found[0]
        if time.monotonic() > until:
            break
    raise SystemExit("the demo did not open; run `wardian demo` to see why")


def take(browser: Browser, address: str, folder: Path) -> dict[str, int]:
    """Take every picture; return how many bytes each has."""
    folder.mkdir(parents=True, exist_ok=True)
    taken = {f"{shot.name}.webp": _take(browser, address, shot) for shot in shots()}
    for name, picture in taken.items():
        (folder / name).write_bytes(picture)
    for old in folder.glob("*.webp"):
        if old.name not in taken:
            old.unlink()
    return {name: len(picture) for name, picture in taken.items()}


def _take(browser: Browser, address: str, shot: Shot) -> bytes:
    width, height = _SIZES[shot.size]
    context = browser.new_context(
        viewport={"width": width, "height": height}, color_scheme=shot.theme, reduced_motion="reduce"
    )
    page = context.new_page()
    answer = page.goto(f"{address}{shot.path}", wait_until="load")
    if answer is None or not answer.ok:
        raise SystemExit(f"{shot.path} did not open, so that no picture was written: look at the demo's page")
    page.wait_for_timeout(_SETTLES_MS)
    sent = context.new_cdp_session(page).send("Page.captureScreenshot", {"format": "webp", "quality": _QUALITY})
    context.close()
    return base64.b64decode(sent["data"])


def main() -> None:
    """Take every picture of the demo."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        raise SystemExit("chromium is missing; install the Debian package chromium")
    with demo() as address, sync_playwright() as playwright:
        flags = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
        browser = playwright.chromium.launch(executable_path=chromium, args=flags)
        sizes = take(browser, address, FOLDER)
        browser.close()
    total = sum(sizes.values())
    print(f"{len(sizes)} pictures, {total / 1000:.0f} kB, in {FOLDER}")  # noqa: T201 - a command's own words
    if total > MOST_BYTES:
        raise SystemExit(f"the pictures have {total} bytes, at most {MOST_BYTES} are kept: take fewer, or smaller")


if __name__ == "__main__":
    main()
