"""Drawing by hand: SVG elements as text, their numbers short, their words escaped."""

from collections.abc import Iterable
from typing import Final
from xml.sax.saxutils import escape, quoteattr

INK, SOFT, HAIR, PAPER = "#14201a", "#46534a", "#cdc8b6", "#ffffff"
LIT, DARK, BAND = "#fdf1c2", "#dfe6f0", "#e9e4d2"
WARM, MIDDLE, COOL, WATER = "#b84600", "#8f6200", "#146da3", "#00694f"
ACT, DRIFT, FINE, UNKNOWN = "#a23000", "#c98a00", "#3f7f5f", "#8b8f8a"
FONT: Final = "Libertinus Serif, Georgia, serif"


def short(value: float) -> str:
    """Return a coordinate with at most one decimal."""
    text = f"{value:.1f}"
    return text.removesuffix(".0") if text != "-0.0" else "0"


def element(tag: str, **attributes: object) -> str:
    """Return an empty element; underscores in names stand for hyphens, and None leaves an attribute out."""
    return f"<{tag}{_attributes(attributes)}/>"


def text(x: float, y: float, said: str, **attributes: object) -> str:
    """Return words at a place."""
    given: dict[str, object] = {"x": short(x), "y": short(y), "font_size": 11, "fill": INK} | attributes
    return f"<text{_attributes(given)}>{escape(said)}</text>"


def path(points: Iterable[tuple[float, float] | None], **attributes: object) -> str:
    """Return lines through points; None lifts the pen."""
    parts: list[str] = []
    lifted = True
    for point in points:
        if point is None:
            lifted = True
            continue
        parts.append(f"{'M' if lifted else 'L'}{short(point[0])} {short(point[1])}")
        lifted = False
    return element("path", d="".join(parts), fill="none", **attributes) if parts else ""


def drawing(width: float, height: float, title: str, parts: Iterable[str]) -> str:
    """Return a whole drawing on paper, with its title for who cannot see it."""
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {short(width)} {short(height)}" width="{short(width)}" '
        f'height="{short(height)}" role="img" aria-label={quoteattr(title)} font-family="{FONT}">'
    )
    ground = element("rect", width=short(width), height=short(height), fill=PAPER)
    return f"{head}{ground}{''.join(parts)}</svg>"


def _attributes(given: dict[str, object]) -> str:
    return "".join(
        f" {name.replace('_', '-')}={quoteattr(short(value) if isinstance(value, float) else str(value))}"
        for name, value in given.items()
        if value is not None
    )
