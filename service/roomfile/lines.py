"""Where each table and key of a TOML text stands.

`tomllib` gives values without lines. This reads the same text for its lines alone, after `tomllib` has found it
valid: it need not judge, only follow.
"""

import bisect
import re
import tomllib
from collections.abc import Mapping

Path = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BASIC = re.compile(r'"(?:[^"\\\n]|\\.)*"')
_LITERAL = re.compile(r"'[^'\n]*'")
_LONG_BASIC = re.compile(r'"""(?:[^"\\]|\\.|"(?!""))*"{3,5}', re.DOTALL)
_LONG_LITERAL = re.compile(r"'''(?:[^']|'(?!''))*'{3,5}", re.DOTALL)
_SCALAR = re.compile(r"[^,\]}#\n]*")
_STRINGS = (_LONG_BASIC, _LONG_LITERAL, _BASIC, _LITERAL)


class Lines:
    """The line of every table and key, counted from 1.

    Parameters
    ----------
    found : mapping of path to line
        A path is the keys and list positions that lead to a value: ``("enclosure", 2, "lights", "on")``.
    """

    def __init__(self, found: Mapping[Path, int]) -> None:
        self._found = found

    def line_of(self, path: Path) -> int:
        """Return the line of a path, or of the nearest thing around it that is written in the file."""
        for length in range(len(path), 0, -1):
            if path[:length] in self._found:
                return self._found[path[:length]]
        return 1


def locate(text: str) -> Lines:
    """Return where everything stands in a text that `tomllib` has accepted.

    Raises
    ------
    RecursionError
        If the text nests deeper than the interpreter goes.
    """
    return Lines(_Walk(text).found)


class _Walk:
    """One walk through a text; `_at` is the offset that it has reached."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._starts = [0, *(match.end() for match in re.finditer("\n", text))]
        self._elements: dict[Path, int] = {}
        self.found: dict[Path, int] = {}
        self._document()

    def _document(self) -> None:
        base: Path = ()
        self._skip_blank()
        while self._at < len(self._text):
            if self._text.startswith("[", self._at):
                base = self._header()
            else:
                self._pair(base)
            self._skip_blank()

    def _skip_blank(self) -> None:
        self._take(_BLANK)

    def _take(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self._text, self._at)
        if match is None:
            return ""
        self._at = match.end()
        return match.group()

    def _skip(self, sign: str) -> bool:
        """Step over blanks and that sign; say whether it was there."""
        self._skip_blank()
        if not self._text.startswith(sign, self._at):
            return False
        self._at += len(sign)
        return True

    def _note(self, path: Path, offset: int) -> None:
        self.found.setdefault(path, bisect.bisect_right(self._starts, offset))

    def _header(self) -> Path:
        start = self._at
        many = self._text.startswith("[[", start)
        self._at += 2 if many else 1
        parts = self._key()
        self._at += 2 if many else 1
        path = (*self._newest(parts[:-1]), parts[-1])
        if many:
            position = self._elements.get(path, 0)
            self._elements[path] = position + 1
            self._note(path, start)
            path = (*path, position)
        self._note(path, start)
        return path

    def _newest(self, parts: list[str]) -> Path:
        """Return the path of a table that a header builds on: in a list of tables, the newest one."""
        path: Path = ()
        for part in parts:
            path = (*path, part)
            if path in self._elements:
                path = (*path, self._elements[path] - 1)
        return path

    def _key(self) -> list[str]:
        parts = [self._key_part()]
        while self._skip("."):
            parts.append(self._key_part())
        self._skip_blank()
        return parts

    def _key_part(self) -> str:
        self._skip_blank()
        if self._text[self._at] == '"':
            return tomllib.loads(f"key = {self._take(_BASIC)}")["key"]
        if self._text[self._at] == "'":
            return self._take(_LITERAL)[1:-1]
        part = self._take(_BARE_KEY)
        if not part:
            raise ValueError(f"no key at offset {self._at}: the text was not accepted before")
        return part

    def _pair(self, base: Path) -> None:
        start = self._at
        path = base
        for part in self._key():
            path = (*path, part)
            self._note(path, start)
        self._skip("=")
        self._value(path)

    def _value(self, path: Path) -> None:
        self._skip_blank()
        if self._skip("["):
            self._list(path)
        elif self._skip("{"):
            self._inline_table(path)
        elif not any(self._take(pattern) for pattern in _STRINGS):
            self._take(_SCALAR)

    def _list(self, path: Path) -> None:
        position = 0
        while not self._skip("]"):
            self._note((*path, position), self._at)
            self._value((*path, position))
            position += 1
            self._skip(",")

    def _inline_table(self, path: Path) -> None:
        while not self._skip("}"):
            self._pair(path)
            self._skip(",")
