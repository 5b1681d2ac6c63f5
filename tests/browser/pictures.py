"""The pictures of the guides: the demo in a real browser at three sizes, kept in docs/pictures.

``python -m tests.browser.pictures`` runs the demo for about a minute, looks at its pages, and writes each picture anew.
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
MOST_BYTES: Final = 1_500_000
_QUALITY: Final = 72
_SIZES: Final = {"wall": (1920, 1080), "desk": (1280, 800), "phone": (390, 844)}
_PATIENCE_S: Final = 300.0
_ADDRESS: Final = re.compile(r"http://127\.0\.0\.1:\d+")


@dataclass(frozen=True, slots=True)
class Shot:
    """A picture: its name, the page, the size (a word of `_SIZES`) and the theme."""

    name: str
    path: str
    size: str
    theme: Literal["light", "dark"] = "light"


SHOTS: Final = (
    Shot("room-wall", "/", "wall"),
    Shot("room-wall-dark", "/", "wall", "dark"),
    Shot("room-desk", "/", "desk"),
    Shot("room-phone", "/", "phone"),
    Shot("enclosure-desk", "/enclosures/rack-a-2-1", "desk"),
    Shot("enclosure-phone", "/enclosures/rack-a-2-1", "phone", "dark"),
    Shot("alarms-desk", "/alarms", "desk"),
    Shot("profiles-desk", "/profiles", "desk"),
    Shot("profile-edit-desk", "/profiles/pogona-vitticeps/edit", "desk"),
    Shot("care-desk", "/care", "desk"),
    Shot("care-phone", "/care", "phone"),
    Shot("labels-desk", "/labels", "desk"),
    Shot("set-up-enclosure-phone", "/set-up/enclosures/rack-a-2-1", "phone"),
)


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


def take(browser: Browser, address: str, folder: Path) -> int:
    """Take every picture; return how many bytes they have."""
    folder.mkdir(parents=True, exist_ok=True)
    total = 0
    for shot in SHOTS:
        width, height = _SIZES[shot.size]
        context = browser.new_context(
            viewport={"width": width, "height": height}, color_scheme=shot.theme, reduced_motion="reduce"
        )
        page = context.new_page()
        page.goto(f"{address}{shot.path}", wait_until="load")
        page.wait_for_timeout(2_500)
        session = context.new_cdp_session(page)
        taken = session.send("Page.captureScreenshot", {"format": "webp", "quality": _QUALITY})
        picture = base64.b64decode(taken["data"])
        (folder / f"{shot.name}.webp").write_bytes(picture)
        total += len(picture)
        context.close()
    return total


def main() -> None:
    """Take every picture of the demo."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        raise SystemExit("chromium is missing; install the Debian package chromium")
    with demo() as address, sync_playwright() as playwright:
        flags = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
        browser = playwright.chromium.launch(executable_path=chromium, args=flags)
        total = take(browser, address, FOLDER)
        browser.close()
    print(f"{len(SHOTS)} pictures, {total / 1000:.0f} kB, in {FOLDER}")  # noqa: T201 - a command's own words
    if total > MOST_BYTES:
        raise SystemExit(f"the pictures have {total} bytes, at most {MOST_BYTES} are kept: take fewer, or smaller")


if __name__ == "__main__":
    main()
