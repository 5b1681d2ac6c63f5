"""Numbers of forms, as a person writes them."""

import re

from service.errors import BadUse


def number_written(text: str, pattern: re.Pattern[str], what: str) -> float:
    """Return the number that a field gives, with a point or a comma.

    Parameters
    ----------
    text : str
        Without spaces at its ends.
    pattern : re.Pattern
        How large and how fine the number may be.
    what : str
        The field, for whoever has to mend it.

    Raises
    ------
    BadUse
        It is none, or not such a one.
    """
    if not pattern.fullmatch(text):
        raise BadUse(f"{what}: {text[:20]!r} is no number")
    return float(text.replace(",", "."))
