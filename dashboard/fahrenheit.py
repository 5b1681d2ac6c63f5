"""A page in degrees Fahrenheit, for those who read them so.

A page that is ready is gone through once, and each temperature on it, in words, tables, pictures and titles, is put
into the degrees that its reader reads (`service.lookback.degrees`). Differences are told by their sentence, or by a
`data-degrees="difference"` around them.
"""

import re
from typing import Final

from service.lookback.degrees import NUMBER, fahrenheit, text_in_fahrenheit, told_in_fahrenheit

__all__ = ["fahrenheit", "in_fahrenheit", "text_in_fahrenheit"]

_TAG: Final = re.compile(r"(<[^>]*>)")
_FIGURE: Final = re.compile(rf'(<span class="figure">)({NUMBER})(<span class="unit">\s?)°C(</span>)')
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


def _figure(found: re.Match[str]) -> str:
    return f"{found[1]}{told_in_fahrenheit(found[2], is_difference=False)}{found[3]}°F{found[4]}"
