"""From a file to TOML values and the lines they stand in."""

import re
import tomllib
from pathlib import Path
from typing import Any

from service.errors import RoomFileInvalid
from service.roomfile.lines import Lines, locate

LARGEST_BYTES = 4 * 1024 * 1024
_WHERE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")


def load_text(path: Path) -> str:
    """Return the text of a file.

    Raises
    ------
    RoomFileInvalid
        When it is missing, a folder, not readable, larger than 4 MiB or not UTF-8; one sentence.
    """
    try:
        if path.is_dir():
            raise RoomFileInvalid([f"{path}: is a folder; name the room file in it"])
        with path.open("rb") as file:
            content = file.read(LARGEST_BYTES + 1)
    except FileNotFoundError as exc:
        raise RoomFileInvalid([f"{path}: there is no such file; check its name"]) from exc
    except (OSError, ValueError) as exc:
        reason = exc.strerror if isinstance(exc, OSError) and exc.strerror else str(exc)
        raise RoomFileInvalid([f"{path}: cannot be read ({reason}); check its name and permissions"]) from exc
    if len(content) > LARGEST_BYTES:
        raise RoomFileInvalid([f"{path}: is larger than 4 MiB; this is hardly a room file"])
    try:
        return content.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as exc:
        line = content.count(b"\n", 0, exc.start) + 1
        raise RoomFileInvalid([f"{path}:{line}: holds a byte that is not UTF-8; save the file as UTF-8"]) from exc


def load_toml(text: str, source: str) -> tuple[dict[str, Any], Lines]:
    """Return the values of a TOML text and where they stand.

    Raises
    ------
    RoomFileInvalid
        When it is no TOML; one sentence with the line.
    """
    try:
        return tomllib.loads(text), locate(text)
    except RecursionError as exc:
        raise RoomFileInvalid([f"{source}:1: nests lists or tables too deep to be read"]) from exc
    except ValueError as exc:
        raise RoomFileInvalid([_not_toml(exc, text, source)]) from exc


def _not_toml(error: ValueError, text: str, source: str) -> str:
    """Say in one sentence what is no TOML, and where."""
    said = str(error)
    found = _WHERE.search(said)
    if found is None:
        return f"{source}:1: is no TOML ({said})"
    what = said[: found.start()]
    if found[1] is None:
        return f"{source}:{text.count(chr(10)) + 1}: is no TOML: {what}, where the file ends"
    return f"{source}:{found[1]}: is no TOML: {what}, at column {found[2]}"
