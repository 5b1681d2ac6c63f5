"""One table of a room file, read key by key; whatever is wrong is noted and reading goes on."""

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime, time
from typing import Any

from service.model import Keyed, from_ms, to_ms
from service.roomfile.lines import Path
from service.roomfile.problems import Problems, nearest

_WALL_TIME = re.compile(r"(?:[01]\d|2[0-3]):[0-5]\d(?::[0-5]\d)?")
_UNPRINTABLE = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff]")
_YEARS = range(1970, 2200)
_LONGEST_TEXT = 4_000
_KINDS: Mapping[type, str] = {
    bool: "yes or no",
    str: "a text",
    int: "a whole number",
    float: "a number",
    list: "a list",
    dict: "a table",
}


class Node:
    """A table, where it stands, and what it is called in a sentence.

    Each reader returns None (or nothing) for a key that is absent or wrong, and has noted the problem then;
    `finish` notes the keys that nobody asked for.

    Parameters
    ----------
    table : mapping
        As `tomllib` gives it.
    path : Path
        Where it stands.
    title : str
        Such as ``enclosure "rack-a-3"``; empty for the whole file.
    problems : Problems
        Where to note.
    """

    def __init__(self, table: Mapping[str, Any], path: Path, title: str, problems: Problems) -> None:
        self._table = table
        self._asked: dict[str, None] = {}
        self.path = path
        self.title = title
        self.problems = problems

    def problem(self, text: str, key: str | None = None) -> None:
        """Note a problem of this table, at a key of it when one is given."""
        path = self.path if key is None else (*self.path, key)
        self.problems.add(path, f"{self.title}: {text}" if self.title else text)

    def has(self, key: str) -> bool:
        """Whether the key is written."""
        return key in self._table

    def finish(self) -> None:
        """Note every key that has no meaning here."""
        for key in self._table:
            if key not in self._asked:
                self.problem(f'key "{key}" is unknown; {nearest(key, self._asked)}', key)

    def raw(self, key: str, *, required: bool = False) -> object:
        """Return what is written, None where nothing is."""
        self._asked[key] = None
        if key not in self._table and required:
            self.problem(f'key "{key}" is missing')
        return self._table.get(key)

    def text(self, key: str, *, required: bool = False) -> str | None:
        """Return a text that is not empty and can be printed."""
        value = self.raw(key, required=required)
        if value is None:
            return None
        if not isinstance(value, str):
            return self._wrong_kind(key, value, "a text in quotes")
        if not value.strip():
            return self.problem(f'"{key}" is empty; write a text, or leave the key out', key)
        if _UNPRINTABLE.search(value) or len(value) > _LONGEST_TEXT:
            return self.problem(f'"{key}" is too long or holds control characters; shorten or retype it', key)
        return value

    def is_empty_text(self, key: str) -> bool:
        """Whether an empty text is written there."""
        self._asked[key] = None
        return self._table.get(key) == ""

    def identity(self) -> str | None:
        """Return the id: small letters, digits, dots, dashes and underscores."""
        value = self.text("id", required=True)
        if value is None or re.fullmatch(Keyed.KEY_PATTERN.removesuffix("$"), value):
            return value
        return self.problem(
            f'id "{value}" is no id; use up to 64 small letters, digits, ".", "-" and "_", '
            "beginning with a letter or digit",
            "id",
        )

    def word(
        self, key: str, what: str, words: Iterable[str], *, required: bool = True, instead: str = ""
    ) -> str | None:
        """Return one of the known words.

        Parameters
        ----------
        key : str
            Where it is written.
        what : str
            What it names, for the sentence: "zone", "room".
        words : iterable of str
            What may be written.
        required : bool
            Whether the key may be left out.
        instead : str
            What to say when no known word is near.
        """
        value = self.text(key, required=required)
        known = list(words)
        if value is None or value in known:
            return value
        return self.problem(f'{what} "{value}" is unknown; {nearest(value, known, instead=instead)}', key)

    def number(
        self, key: str, *, required: bool = False, above: float = -math.inf, most: float = math.inf
    ) -> float | None:
        """Return a finite number above one bound and at most another."""
        value = self.raw(key, required=required)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float):
            return self._wrong_kind(key, value, "a number")
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            return self.problem(f'"{key}" is no finite number', key)
        if not above < number <= most:
            return self.problem(f'"{key}" is {number:g}, {_bounds(above, most)}', key)
        return number

    def whole(self, key: str, low: int, high: int, *, unit: str = "") -> int | None:
        """Return a required whole number from low to high."""
        value = self.raw(key, required=True)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int):
            return self._wrong_kind(key, value, "a whole number")
        if not low <= value <= high:
            shown = value if abs(value) < 10**12 else "far out of range"
            return self.problem(f'"{key}" is {shown}{unit}, expected {low} to {high}{unit}', key)
        return value

    def instant(self, key: str, *, required: bool = False) -> datetime | None:
        """Return a date and time with an offset, to the millisecond, in UTC."""
        value = self.raw(key, required=required)
        if value is None:
            return None
        example = f"write it with its time and offset, such as {key} = 2026-03-01T00:00:00Z"
        if not isinstance(value, datetime) or value.tzinfo is None:
            shown = str(value) if hasattr(value, "isoformat") else _kind(value)
            return self.problem(f'"{key}" is {shown}, not an instant; {example}', key)
        if value.year not in _YEARS:
            return self.problem(f'"{key}" is in the year {value.year}, expected {_YEARS[0]} to {_YEARS[-1]}', key)
        return from_ms(to_ms(value.astimezone(UTC)))

    def span(self, *, required: bool = False) -> tuple[datetime | None, datetime | None]:
        """Return the keys `from` and `until`, the second after the first."""
        start, end = self.instant("from", required=required), self.instant("until")
        if start is not None and end is not None and end <= start:
            self.problem(f'"until" is {end.isoformat()}, not after "from", {start.isoformat()}', "until")
        return start, end

    def wall_time(self, key: str) -> time | None:
        """Return a required time of day by the site's clock."""
        value = self.raw(key, required=True)
        if isinstance(value, time) and not value.microsecond:
            return value
        if isinstance(value, str) and _WALL_TIME.fullmatch(value):
            return time.fromisoformat(value)
        if value is not None:
            shown = f'"{value}"' if isinstance(value, str) else _kind(value)
            self.problem(f'"{key}" is {shown}, not a time of day; write it as in "07:30"', key)
        return None

    def words(self, key: str, what: str, words: Iterable[str]) -> tuple[str, ...]:
        """Return a required list of known words, without those that are none."""
        value = self.raw(key, required=True)
        if value is None:
            return ()
        if not isinstance(value, list) or not value or not all(isinstance(item, str) for item in value):
            self._wrong_kind(key, value, "a list of texts, not empty")
            return ()
        known = list(words)
        for position, item in enumerate(value):
            if item not in known:
                path = (*self.path, key, position)
                self.problems.add(path, f'{self.title}: {what} "{item}" is unknown; {nearest(item, known)}')
        return tuple(dict.fromkeys(item for item in value if item in known))

    def table(self, key: str, *, required: bool = False) -> "Node | None":
        """Return the table under a key."""
        value = self.raw(key, required=required)
        if value is None:
            return None
        if not isinstance(value, dict):
            return self._wrong_kind(key, value, "a table")
        return Node(value, (*self.path, key), f"{self.title}, {key}" if self.title else key, self.problems)

    def tables(self, key: str, name_key: str = "id") -> "list[Node]":
        """Return the tables of a list, each called by what stands under `name_key`, else by its number."""
        value = self.raw(key)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            header = ".".join(str(part) for part in (*self.path, key) if isinstance(part, str))
            self._wrong_kind(key, value, f"[[{header}]] for each")
            return []
        return [self._nth(key, position, item, name_key) for position, item in enumerate(value)]

    def _nth(self, key: str, position: int, table: Mapping[str, Any], name_key: str) -> "Node":
        name = table.get(name_key)
        called = f'{key} "{name}"' if isinstance(name, str) else f"{key} {position + 1}"
        title = f"{self.title}, {called}" if self.title else called
        return Node(table, (*self.path, key, position), title, self.problems)

    def _wrong_kind(self, key: str, value: object, expected: str) -> None:
        self.problem(f'"{key}" is {_kind(value)}, expected {expected}', key)


def _kind(value: object) -> str:
    """Say what kind of value that is."""
    return _KINDS.get(type(value), "a date or time")


def _bounds(above: float, most: float) -> str:
    """Say which numbers may stand there."""
    parts = [f"above {above:g}"] if math.isfinite(above) else []
    parts += [f"at most {most:g}"] if math.isfinite(most) else []
    return "expected " + ", ".join(parts)


def report_twice(nodes: Sequence[Node], values: Sequence[object], say: Callable[[object, int], str]) -> None:
    """Note each value that an earlier table has already.

    Parameters
    ----------
    nodes : sequence of Node
        The tables.
    values : sequence
        What must differ, one for each table; None is left out.
    say : callable
        From the value and the line of the first one to the sentence.
    """
    first: dict[object, Node] = {}
    for node, value in zip(nodes, values, strict=True):
        if value is None:
            continue
        if value in first:
            node.problem(say(value, node.problems.line_of(first[value].path)))
        else:
            first[value] = node
