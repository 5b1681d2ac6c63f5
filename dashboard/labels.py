"""Labels for the doors: sheets of A4, each label with a name, a place, and a code that leads a phone to its page."""

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import segno
from markupsafe import Markup, escape

COLUMNS, ROWS = 3, 7
PER_SHEET: Final = COLUMNS * ROWS
_PAGE: Final = (210.0, 297.0)
"""A4. [mm]"""
_LABEL: Final = (63.5, 38.1)
_LEFT, _TOP, _ACROSS = 7.2, 15.1, 66.0
_CODE: Final = 27.0
"""Read from half a metre by the camera of a phone (common practice, no source). [mm]"""
_MARGIN: Final = 3.0
_LINE: Final = 11
"""Characters of a name that fit beside the code in one line."""


@dataclass(frozen=True, slots=True)
class Label:
    """What a label says, and the address that its code holds."""

    name: str
    place: str
    species: str
    address: str


def sheets(labels: Sequence[Label]) -> list[Markup]:
    """Return the labels as sheets of A4 in SVG, 21 on each, in millimetres."""
    return [_sheet(labels[begin : begin + PER_SHEET]) for begin in range(0, len(labels), PER_SHEET)]


def _sheet(labels: Sequence[Label]) -> Markup:
    width, height = _PAGE
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="sheet" width="{width:g}mm" height="{height:g}mm" '
        f'viewBox="0 0 {width:g} {height:g}" font-family="system-ui, sans-serif">'
        f'<title>Labels for {len(labels)} doors</title><rect width="100%" height="100%" fill="#fff"/>'
    )
    parts = [head]
    for number, label in enumerate(labels):
        row, column = divmod(number, COLUMNS)
        parts.append(_label(label, _LEFT + column * _ACROSS, _TOP + row * _LABEL[1]))
    return Markup("".join([*parts, "</svg>"]))  # noqa: S704 - numbers, and texts that are escaped


def _label(label: Label, left: float, top: float) -> str:
    width, height = _LABEL
    text_left = _MARGIN + _CODE + 2.5
    name = [
        f'<text x="{text_left:g}" y="{10 + 5.2 * number:g}" font-size="4.3" font-weight="700">{escape(line)}</text>'
        for number, line in enumerate(broken(label.name, _LINE)[:4])
    ]
    foot = [
        f'<text x="{text_left:g}" y="{height - 6.4 + 3.4 * number:g}" font-size="2.4">{escape(line[:24])}</text>'
        for number, line in enumerate((label.species, label.place))
        if line
    ]
    return (
        f'<g transform="translate({left:g} {top:g})">'
        f'<rect x=".3" y=".3" width="{width - 0.6:g}" height="{height - 0.6:g}" rx="2" fill="none" stroke="#bbb" '
        f'stroke-width=".2"/>{_code(label.address, _MARGIN, (height - _CODE) / 2)}{"".join(name)}{"".join(foot)}</g>'
    )


def _code(address: str, left: float, top: float) -> str:
    """Return a QR code (ISO/IEC 18004) of level M: it is read with a seventh of it scratched."""
    code = segno.make(address, error="m", micro=False)
    size = code.symbol_size(border=0)[0]
    drawn = io.BytesIO()
    code.save(drawn, kind="svg", xmldecl=False, svgns=False, nl=False, border=0, omitsize=True, svgclass=None)
    body = drawn.getvalue().decode()
    scale = _CODE / size
    return f'<g transform="translate({left:g} {top:g}) scale({scale:.5f})">{_inside(body)}</g>'


def _inside(svg: str) -> str:
    """Return what stands between the tags of an svg element."""
    return svg[svg.index(">") + 1 : svg.rindex("</svg>")]


def broken(text: str, most: int) -> list[str]:
    """Return a text in lines of at most so many characters, broken between words where that can be."""
    lines: list[str] = []
    for word in text.split():
        rest = word
        if lines and len(lines[-1]) + 1 + len(rest) <= most:
            lines[-1] += f" {rest}"
            continue
        while rest:
            lines.append(rest[:most])
            rest = rest[most:]
    return lines
