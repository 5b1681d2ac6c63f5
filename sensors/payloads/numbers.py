"""A number in a payload, as devices really write it: a JSON number, a numeric string, a yes or no for a switch."""

import re
from collections.abc import Callable

from sensors.payloads.measurement import Field, shown
from sensors.quantities import conversion_for

# float() alone would also take '1_000', 'nan', 'infinity' and digits of other scripts.
_DECIMAL = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?", re.ASCII)
_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+", re.ASCII)
_ON_OFF = {"on": 1.0, "off": 0.0, "true": 1.0, "false": 0.0}
_INFINITY = float("inf")


class NumberError(ValueError):
    """A value that is no number where one was expected."""


def number_in_text(text: str) -> float:
    """Return the decimal number that a text holds, blanks around it allowed.

    Raises
    ------
    NumberError
        If it holds anything else: NaN, infinity, a comma, a unit, nothing.
    """
    stripped = text.strip(" \t\r\n\0")
    if not _DECIMAL.fullmatch(stripped):
        hint = ": use a decimal point" if _COMMA.fullmatch(stripped) else ": send digits alone, without a unit"
        raise NumberError(f"is {shown(text)}, expected a number{hint}")
    return float(stripped)


def _number(value: object, *, is_switch: bool) -> float:
    """Return a decoded JSON value as a float, or say why it is none."""
    if isinstance(value, bool):
        if is_switch:
            return float(value)
        raise NumberError(f"is {shown(value)}, expected a number: only a switch is yes or no")
    if isinstance(value, int | float):
        return float(value)
    if isinstance(value, str):
        word = value.strip(" \t\r\n\0").lower()
        return _ON_OFF[word] if is_switch and word in _ON_OFF else number_in_text(value)
    raise NumberError(f"is {shown(value)}, expected a number")


def reader_for(field: Field) -> Callable[[object], float]:
    """Return a function from a decoded JSON value to the field's quantity in its own unit.

    The function raises NumberError for anything that is no finite number. Fields of unknown quantity or unit raise
    `sensors.quantities.UnknownWordError` here, once.
    """
    conversion = conversion_for(field.quantity, field.unit)
    zero, factor = conversion.zero, conversion.factor
    is_switch = field.quantity == "switch"

    def read(value: object) -> float:
        number = value if type(value) is float else _number(value, is_switch=is_switch)
        converted = (number - zero) * factor
        if -_INFINITY < converted < _INFINITY:
            return converted
        raise NumberError(f"is {shown(value)}, expected a finite number")

    return read
