"""An enclosure seen from the front, with its zones and the probes in them: our own drawing."""

from collections.abc import Mapping, Sequence
from html import escape
from typing import Final

from markupsafe import Markup

from dashboard.words import zone_name

_SHAPES: Final = {
    "outside": (0, 0, 640, 36),
    "basking": (20, 60, 190, 84),
    "canopy": (220, 60, 200, 84),
    "ambient": (220, 152, 200, 84),
    "warm-end": (20, 152, 190, 84),
    "cool-end": (430, 60, 190, 110),
    "retreat": (430, 178, 190, 58),
    "substrate": (20, 244, 400, 56),
    "egg-chamber": (430, 244, 190, 56),
}
"""Left, top, width and height of each zone: heat on the left under its lamp, the cool retreat on the right."""


def drawing(placed: Mapping[str, Sequence[str]], address: str | None = None, chosen: str = "") -> Markup:
    """Return the drawing as SVG.

    Parameters
    ----------
    placed : mapping of zone to names
        What stands in each zone.
    address : str, optional
        Where a tap on a zone leads, the zone's key is put at its end; None draws no links.
    chosen : str
        A zone that is marked.
    """
    parts = [
        '<svg class="zones" viewBox="0 0 640 312" role="group" aria-label="The zones of the enclosure">',
        '<path class="case" d="M12 48H628V308H12Z"/>',
        '<path class="lamp" d="M86 48l12 -30h34l12 30z"/>',
        '<path class="beam" d="M92 60L70 140H160L138 60Z"/>',
        *(_zone(zone, placed.get(zone, ()), address, chosen == zone) for zone in _SHAPES),
        "</svg>",
    ]
    return Markup("".join(parts))  # noqa: S704 - every name in it is escaped


def _zone(zone: str, names: Sequence[str], address: str | None, is_chosen: bool) -> str:
    left, top, width, height = _SHAPES[zone]
    state = " is-chosen" if is_chosen else (" is-taken" if names else "")
    shown = [name if len(name) <= 24 else f"{name[:23]}…" for name in names[:2]]  # noqa: PLR2004 - what fits in a zone
    more = f" +{len(names) - len(shown)}" if len(names) > len(shown) else ""
    lines = "".join(
        f'<text class="zone-probe" x="{left + 22}" y="{top + 40 + 17 * row}">{escape(name)}</text>'
        f'<circle class="zone-dot" cx="{left + 12}" cy="{top + 35 + 17 * row}" r="4"/>'
        for row, name in enumerate(shown)
    )
    inside = (
        f'<rect class="zone{state}" x="{left}" y="{top}" width="{width}" height="{height}" rx="6"/>'
        f'<text class="zone-name" x="{left + 10}" y="{top + 20}">{zone_name(zone)}{more}</text>{lines}'
    )
    if address is None:
        return f"<g>{inside}</g>"
    said = f"Move to {zone_name(zone)}" + (f"; here: {', '.join(names)}" if names else "")
    return f'<a href="{escape(address + zone)}" aria-label="{escape(said)}">{inside}</a>'
