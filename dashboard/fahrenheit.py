"""Temperatures of a page in degrees Fahrenheit, for those who read them so.

Everything is kept, judged and answered in degrees Celsius. A page that is ready is gone through once, and each
temperature on it, in words, tables, pictures and titles, is put into the degrees that its reader reads. A difference
of temperatures has no zero, and is only scaled: a night drop, a gradient, an uncertainty. Which of them a number is
follows from its sentence, or from a `data-degrees="difference"` around it.
"""

import re
from typing import Final, TypeVar

from service.climate.ranges import Floats

_SCALE, _ZERO = 1.8, 32.0
_DASH, _NBSP = "\N{EN DASH}", "\N{NO-BREAK SPACE}"
_SIGN: Final = "[-+\N{MINUS SIGN}]?"
_NUMBER: Final = rf"{_SIGN}\d+(?:\.\d+)?"
_GAP: Final = "[ \N{NO-BREAK SPACE}]|&nbsp;"
_MEASURED: Final = re.compile(
    rf"(?<![\d.\w])(?P<first>{_NUMBER})(?:(?P<joint>{_DASH}| to | → )(?P<second>{_NUMBER}))?"
    rf"(?P<gap>{_GAP}|)°C(?!\w| d\b|/)"
)
_TAG: Final = re.compile(r"(<[^>]*>)")
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
_FIGURE: Final = re.compile(rf'(<span class="figure">)({_NUMBER})(<span class="unit">[ {_NBSP}]?)°C(</span>)')
_DIFFERENCE_TAG: Final = re.compile(r'<(\w+)[^>]*\bdata-degrees="difference"')


def in_fahrenheit(page: str) -> str:
    """Return a page, or a piece of one, with its temperatures in degrees Fahrenheit.

    Parameters
    ----------
    page : str
        HTML. What stands in a field is left as it is: it is sent back as °C.
    """
    if "°C" not in page:
        return page
    parts = _TAG.split(_FIGURE.sub(_figure, page))
    within = ""
    for number, part in enumerate(parts):
        if part.startswith("<"):
            if within and part.startswith(f"</{within}"):
                within = ""
            elif not within and (found := _DIFFERENCE_TAG.match(part)):
                within = found[1]
        if "°C" in part:
            parts[number] = text_in_fahrenheit(part, is_difference=bool(within))
    return "".join(parts)


def text_in_fahrenheit(text: str, *, is_difference: bool = False) -> str:
    """Return a text of one or more sentences with its temperatures in degrees Fahrenheit."""
    sentences = _SENTENCE.split(text)
    gaps = [found.group() for found in _SENTENCE.finditer(text)]
    said = [_sentence(one, is_difference=is_difference or bool(_OF_A_DIFFERENCE.search(one))) for one in sentences]
    return "".join(part for pair in zip(said, [*gaps, ""], strict=True) for part in pair)


_Degrees = TypeVar("_Degrees", float, Floats)


def fahrenheit(celsius: _Degrees) -> _Degrees:
    """Return temperatures in °F."""
    return celsius * _SCALE + _ZERO


def _sentence(text: str, *, is_difference: bool) -> str:
    def put(found: re.Match[str]) -> str:
        differs = is_difference or bool(_BEFORE.search(text[: found.start()]) or _AFTER.match(text[found.end() :]))
        first = _told(found["first"], is_difference=differs)
        second = found["joint"] + _told(found["second"], is_difference=differs) if found["joint"] else ""
        return f"{first}{second}{found['gap']}°F"

    return _MEASURED.sub(put, text)


def _figure(found: re.Match[str]) -> str:
    return f"{found[1]}{_told(found[2], is_difference=False)}{found[3]}°F{found[4]}"


def _told(number: str, *, is_difference: bool) -> str:
    """Return a number as precise as it was, signed as it was."""
    value = float(number.replace("\N{MINUS SIGN}", "-"))
    scaled = value * _SCALE if is_difference else fahrenheit(value)
    decimals = len(number.partition(".")[2])
    text = f"{scaled:.{decimals}f}"
    if float(text) == 0:
        text = text.removeprefix("-")
    plus = "+" if number.startswith("+") and not text.startswith("-") else ""
    return plus + text.replace("-", "\N{MINUS SIGN}")
