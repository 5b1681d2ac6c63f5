"""Temperatures in words in degrees Fahrenheit, for those who read them so.

Everything is kept, judged and answered in degrees Celsius. A text that is ready is gone through once. A difference
of temperatures has no zero, and is only scaled: a night drop, a gradient, an uncertainty. Which of them a number is
follows from its sentence. Degree-days stay °C d; the temperature that they are counted from is one like any other.
"""

import re
from typing import Final, Literal, TypeAlias, TypeVar

from service.climate.ranges import Floats

Degrees: TypeAlias = Literal["C", "F"]
_SCALE, _ZERO = 1.8, 32.0
_DASH = "\N{EN DASH}"
_SIGN: Final = "[-+\N{MINUS SIGN}]?"
NUMBER: Final = rf"{_SIGN}\d+(?:\.\d+)?"
_GAP: Final = "[ \N{NO-BREAK SPACE}]|&nbsp;"
_MEASURED: Final = re.compile(
    rf"(?<![\d.\w])(?P<first>{NUMBER})(?:(?P<joint>{_DASH}| to | → )(?P<second>{NUMBER}))?"
    rf"(?P<gap>{_GAP}|)°C(?!\w| d\b|/)"
)
_SENTENCE: Final = re.compile(r"(?<=[.;!?])\s+(?=[A-Z])")
_OF_A_DIFFERENCE: Final = re.compile(
    r"\b(night drop|drop|gradient|drift\w*|differ\w*|deviat\w*|offset|uncertain\w*|error|correction|spread|swing|"
    r"deadband|resolution|repeatab\w*|corrected by|reads? \S+ (?:high|low))\b|±",
    re.IGNORECASE,
)
_BEFORE: Final = re.compile(r"(±|\bby|\bwithin|\bat least \S+ apart)[ \N{NO-BREAK SPACE}]*$")
_AFTER: Final = re.compile(
    r"[ \N{NO-BREAK SPACE}](?:too )?(?:warmer|cooler|colder|hotter|higher|lower|above|below|over|under|apart|more|less|"
    r"an? (?:month|day|hour|year|minute)|per )"
)
_APART: Final = re.compile(r"(\([^()]*\))")
"""What stands in brackets is told apart: "34.2 °C (usual spread 0.5 °C)"."""
_IN_DEGREE_DAYS: Final = re.compile(r"\bdegree-days\b")


def text_in_fahrenheit(text: str, *, is_difference: bool = False) -> str:
    """Return a text of one or more sentences with its temperatures in degrees Fahrenheit."""
    sentences = _SENTENCE.split(text)
    gaps = [found.group() for found in _SENTENCE.finditer(text)]
    said = [_sentence(one, is_difference=is_difference) for one in sentences]
    return "".join(part for pair in zip(said, [*gaps, ""], strict=True) for part in pair)


_Values = TypeVar("_Values", float, Floats)


def fahrenheit(celsius: _Values) -> _Values:
    """Return temperatures in °F."""
    return celsius * _SCALE + _ZERO


def celsius(fahrenheit: _Values) -> _Values:
    """Return temperatures in °C."""
    return (fahrenheit - _ZERO) / _SCALE


def is_of_a_difference(text: str) -> bool:
    """Say whether a text speaks of a difference of temperatures."""
    return bool(_OF_A_DIFFERENCE.search(text))


def _sentence(text: str, *, is_difference: bool) -> str:
    """Return a sentence, what stands in brackets judged by itself unless the whole is of a difference."""
    if _IN_DEGREE_DAYS.search(text):
        return _piece(text, is_difference=is_difference)
    parts = _APART.split(text)
    whole = is_difference or any(is_of_a_difference(part) for part in parts[::2])
    return "".join(_piece(part, is_difference=whole or is_of_a_difference(part)) for part in parts)


def _piece(text: str, *, is_difference: bool) -> str:
    def put(found: re.Match[str]) -> str:
        differs = is_difference or bool(_BEFORE.search(text[: found.start()]) or _AFTER.match(text[found.end() :]))
        first = told_in_fahrenheit(found["first"], is_difference=differs)
        second = found["joint"] + told_in_fahrenheit(found["second"], is_difference=differs) if found["joint"] else ""
        return f"{first}{second}{found['gap']}°F"

    return _MEASURED.sub(put, text)


def told_in_fahrenheit(number: str, *, is_difference: bool) -> str:
    """Return a number that stands in a text, as precise as it was, signed as it was."""
    value = float(number.replace("\N{MINUS SIGN}", "-"))
    scaled = value * _SCALE if is_difference else fahrenheit(value)
    decimals = len(number.partition(".")[2])
    text = f"{scaled:.{decimals}f}"
    if float(text) == 0:
        text = text.removeprefix("-")
    plus = "+" if number.startswith("+") and not text.startswith("-") else ""
    return plus + text.replace("-", "\N{MINUS SIGN}")
