"""Texts in tables that people open in a spreadsheet: none is taken for a formula (pure)."""

from typing import Final

_FORMULA: Final = ("=", "+", "-", "@", "|", "%", "＝", "＋", "－", "＠")
"""What spreadsheets take for the beginning of a formula or of a call of another program, wide forms too."""
_SKIPPED: Final = " \t\r\n\v\f\u00a0\u200e\u200f\u202a\u202b\u202d\u202e\u2066\u2067\u2068\ufeff"
"""What some of them leave out at the beginning of a cell."""


def defused(text: str) -> str:
    """Return a text that no spreadsheet runs: led by an apostrophe where it begins as a formula does.

    A tab or a line's end at the beginning is led by one too. Numbers are not texts: give them no call.
    """
    begins = text.lstrip(_SKIPPED)
    return f"'{text}" if begins.startswith(_FORMULA) or text[:1] in {"\t", "\r", "\n"} else text
