"""The problems of a room file, gathered so that all are told at once."""

import difflib
from collections.abc import Iterable

from service.errors import RoomFileInvalid
from service.roomfile.lines import Lines, Path

_MOST_WORDS = 12


class Problems:
    """Every problem that was met, each with its line.

    Parameters
    ----------
    source : str
        The file's name, as the person gave it.
    lines : Lines
        Where everything stands in it.
    """

    def __init__(self, source: str, lines: Lines) -> None:
        self._source = source
        self._lines = lines
        self._met: list[tuple[int, str]] = []

    def add(self, path: Path, text: str) -> None:
        """Note one problem at what stands under that path."""
        self._met.append((self._lines.line_of(path), text))

    def line_of(self, path: Path) -> int:
        """Return the line of what stands under that path."""
        return self._lines.line_of(path)

    def sentences(self) -> tuple[str, ...]:
        """Return every problem as ``file:line: sentence``, in order of the lines."""
        ordered = sorted(dict.fromkeys(self._met), key=lambda problem: problem[0])
        return tuple(f"{self._source}:{line}: {text}" for line, text in ordered)

    def raise_any(self) -> None:
        """Raise RoomFileInvalid with every problem, if there is one."""
        if self._met:
            raise RoomFileInvalid(self.sentences())


def nearest(word: str, words: Iterable[str], *, instead: str = "") -> str:
    """Return the end of a sentence about an unknown word: the nearest valid one, or what may stand there.

    Parameters
    ----------
    word : str
        What was written.
    words : iterable of str
        What may be written.
    instead : str, optional
        What to say when no word is near and there are too many to list.
    """
    valid = list(words)
    lowered = {known.lower(): known for known in valid}
    close = difflib.get_close_matches(word.lower(), lowered, n=1)
    if close:
        return f'did you mean "{lowered[close[0]]}"?'
    if instead:
        return instead
    if not valid:
        return "there is none in this file"
    shown = ", ".join(f'"{known}"' for known in valid[:_MOST_WORDS])
    return f"expected one of {shown}" + (", …" if len(valid) > _MOST_WORDS else "")
