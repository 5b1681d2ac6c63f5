"""Colours of the figures: the same as in the style sheet, because a drawing cannot ask it."""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Palette:
    """The colours of a theme, each named as its custom property in ``theme.css``."""

    case: str
    ink: str
    soft: str
    hair: str
    lit: str
    dark: str
    warm: str
    middle: str
    cool: str
    water: str
    warm_band: str
    middle_band: str
    cool_band: str
    water_band: str
    act: str
    drift_line: str


PALETTES: Final = {
    "light": Palette(
        case="#fffdf7",
        ink="#14201a",
        soft="#46534a",
        hair="#cdc8b6",
        lit="#fdf1c2",
        dark="#b7c5db",
        warm="#b84600",
        middle="#8f6200",
        cool="#146da3",
        water="#00694f",
        warm_band="#e0843f",
        middle_band="#e69f00",
        cool_band="#56b4e9",
        water_band="#2aa583",
        act="#a23000",
        drift_line="#c98a00",
    ),
    "dark": Palette(
        case="#171f1a",
        ink="#eff3ec",
        soft="#adb9af",
        hair="#364039",
        lit="#4b4220",
        dark="#15203a",
        warm="#ff9253",
        middle="#f3b640",
        cool="#74c7f5",
        water="#3ccfa3",
        warm_band="#d9793a",
        middle_band="#b98712",
        cool_band="#3a86b5",
        water_band="#1d8f6e",
        act="#ff8d5e",
        drift_line="#f2bd54",
    ),
}


def see_through(colour: str, share: float) -> str:
    """Return a ``#rrggbb`` colour as ``rgba`` with an opacity from 0 to 1."""
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"rgba({red},{green},{blue},{share:g})"
