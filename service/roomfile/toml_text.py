"""Values written as TOML."""

import re
from collections.abc import Mapping
from datetime import UTC, datetime, time

from service.roomfile.wanted import clock

_MUST_ESCAPE = re.compile(r'["\\\x00-\x1f\x7f]')
_SHORT = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t", "\r": "\\r"}
_WHOLE_UP_TO = 1e15


def written(value: object) -> str:
    """Return a value as TOML 1.0 writes it, on one line.

    Parameters
    ----------
    value : str, bool, int, float, datetime, time, list, tuple or mapping
        A time is written as a text, ``"07:30"``; an instant in UTC.

    Raises
    ------
    TypeError
        For any other value.
    """
    if isinstance(value, Mapping):
        return "{ " + ", ".join(pair(str(key), item) for key, item in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(written(item) for item in value) + "]"
    return _one(value)


def _one(value: object) -> str:
    match value:
        case str():
            text = f'"{_MUST_ESCAPE.sub(_escaped, value)}"'
        case bool():
            text = "true" if value else "false"
        case int() | float():
            text = _number(value)
        case datetime():
            text = _instant(value)
        case time():
            text = f'"{clock(value)}"'
        case _:
            raise TypeError(f"{value!r} has no form in TOML here")
    return text


def pair(key: str, value: object) -> str:
    """Return ``key = value``; the key is one of ours, bare."""
    return f"{key} = {written(value)}"


def pairs(values: Mapping[str, object]) -> list[str]:
    """Return a line for each value that is there: what is None is left out."""
    return [pair(key, value) for key, value in values.items() if value is not None]


def _escaped(found: re.Match[str]) -> str:
    sign = found.group()
    return _SHORT.get(sign, f"\\u{ord(sign):04X}")


def _number(value: float) -> str:
    if isinstance(value, float) and value.is_integer() and abs(value) < _WHOLE_UP_TO:
        return str(int(value))
    return repr(value)


def _instant(value: datetime) -> str:
    in_utc = value.astimezone(UTC)
    return in_utc.isoformat(timespec="milliseconds" if in_utc.microsecond else "seconds").replace("+00:00", "Z")
