"""A report as PDF: tagged (PDF/UA-1), its fonts embedded, its pictures vectors, the same bytes from the same report.

The fonts come with the typesetter. Where a name needs others, those of the system are taken; where those lack it too,
a character is written as its code point: nothing is left out in silence.
"""

from collections.abc import Callable
from importlib import resources
from typing import Final

import orjson
import typst

from service.errors import BadUse
from service.lookback.forms.composing import grouped
from service.lookback.forms.document import Document
from service.lookback.forms.plain import plain_document

PAPERS: Final = ("a4", "us-letter")
_NO_GLYPH: Final = "could not be displayed"
_WITH_FONTS: Final = (
    (0x20, 0x24F), (0x370, 0x3FF), (0x400, 0x4FF), (0x1E00, 0x1EFF), (0x2010, 0x2027), (0x2030, 0x205E),
    (0x20A0, 0x20BF), (0x2200, 0x22FF),
)  # fmt: skip
"""Blocks of Unicode that the typesetter's own fonts have."""


def pdf_of(document: Document, paper: str = "a4") -> bytes:
    """Return a document as PDF.

    Parameters
    ----------
    document : Document
    paper : str
        "a4" or "us-letter".

    Raises
    ------
    BadUse
        Another paper, or content that cannot be set.
    """
    if paper not in PAPERS:
        raise BadUse(f"paper: expected {' or '.join(PAPERS)}, got '{paper[:20]}'")
    ways: tuple[tuple[bool, Callable[[str], str]], ...] = ((True, _as_it_is), (False, _as_it_is), (True, spelled))
    for own_fonts, written in ways:
        try:
            return _set(document, paper, own_fonts, written)
        except typst.TypstError as exc:
            if _NO_GLYPH not in str(exc) or written is spelled:
                raise BadUse(f"the report cannot be set as PDF ({exc}); take HTML or JSON instead") from exc
    raise AssertionError("the last way returns or raises")


def _as_it_is(said: str) -> str:
    return said


def _set(document: Document, paper: str, own_fonts: bool, written: Callable[[str], str]) -> bytes:
    plain = plain_document(document, written) | {"paper": paper, "footer": grouped(document.fingerprint[:16])}
    source = resources.files("service.lookback.forms").joinpath("report.typ").read_bytes()
    made = typst.compile(
        source, format="pdf", sys_inputs={"document": orjson.dumps(plain).decode()}, ignore_system_fonts=own_fonts,
        pdf_standards="ua-1", timestamp=0,
    )  # fmt: skip
    if not isinstance(made, bytes):
        raise BadUse("the report cannot be set as PDF; take HTML or JSON instead")
    return made


def spelled(said: str) -> str:
    """Return a text in which each character that the fonts lack is written as its code point: [U+65E5]."""
    return "".join(
        char if char in "\n\t" or any(low <= ord(char) <= high for low, high in _WITH_FONTS) else f"[U+{ord(char):04X}]"
        for char in said
    )
