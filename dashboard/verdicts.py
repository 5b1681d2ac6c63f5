"""What checks and misting cycles came to, as a person reads it: a shape and a word, never a colour alone."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from dashboard.words import DEGREE, HUMIDITY, limits, measured, number, unit_of
from service.lookback.bodies import Body

_SHARE, _HALF = "1", 0.5
_UNITS_OF_U: Final = {
    "humidity-day": HUMIDITY, "humidity-night": HUMIDITY, "humidity-spikes": HUMIDITY, "misting-cycles": HUMIDITY,
    "dry-down": HUMIDITY, "photoperiod": "h",
}  # fmt: skip
"""U is that of the readings, whatever the check makes of them; where nothing is named here, of a temperature."""


@dataclass(frozen=True, slots=True)
class Shown:
    """How a verdict is shown.

    Attributes
    ----------
    css : str
        Part of a class name.
    shape : str
        Which of the symbols: ``#shape-…``.
    word : str
    """

    css: str
    shape: str
    word: str


_OF_DAYS: Final[Mapping[str | None, Shown]] = {
    "met": Shown("met", "steady", "met"),
    "borderline": Shown("borderline", "drifting", "borderline"),
    "not met": Shown("not-met", "act", "not met"),
    "no data": Shown("no-data", "blind", "no data"),
    None: Shown("running", "running", "not over"),
}
_OF_CYCLES: Final[Mapping[str | None, Shown]] = {
    "confirmed": Shown("confirmed", "drop-full", "confirmed"),
    "weak": Shown("weak", "drop-half", "weak"),
    "none": Shown("none", "cross", "none"),
    "saturated": Shown("saturated", "drop-open", "saturated"),
    "no data": Shown("no-data", "blind", "no data"),
    None: Shown("running", "running", "not over"),
}
DAY_LEGEND: Final = tuple(_OF_DAYS.values())
CYCLE_LEGEND: Final = tuple(_OF_CYCLES.values())


def of_check(verdict: str | None) -> Shown:
    """Return how the verdict of a check or a day is shown; None is one that is not over."""
    return _OF_DAYS[verdict]


def of_cycle(verdict: str | None) -> Shown:
    """Return how the verdict of a misting cycle is shown; None is one that is not over."""
    return _OF_CYCLES[verdict]


def percent(share: float | None) -> str:
    """Return a share as ``84 %``: rounded down where rounding up would claim all, up where down would claim none."""
    if share is None:
        return "–"
    whole = round(100 * share)
    if whole in {0, 100} and share not in {0.0, 1.0}:
        whole = 99 if share > _HALF else 1
    return f"{whole}\N{NO-BREAK SPACE}%"


def value_words(result: Body) -> str:
    """Return what a check found: ``84 %`` of the time, ``32.4 °C``; a dash where nothing is known."""
    if result["value"] is None:
        return "–"
    return percent(result["value"]) if result["unit"] == _SHARE else measured(result["value"], unit_of(result["unit"]))


def target_words(result: Body) -> str:
    """Return what a check asked for: ``30.0–34.0 °C for 80 %``."""
    target = result["target"]
    band = limits(target["low"], target["high"], unit_of(target["unit"]))
    if result["unit"] != _SHARE or target["share"] is None:
        return band
    share = percent(target["share"])
    if result["check"] == "misting-cycles":
        return f"{share} of cycles with {band}"
    return f"{band} for {share}" if band else share


def uncertainty_words(result: Body) -> str:
    """Return U of what a check rests on: ``± 0.3 °C``; a dash where it counts, or knows nothing."""
    value, unit = result["uncertainty"], _UNITS_OF_U.get(result["check"], DEGREE)
    if not value or result["value"] is None:
        return "–"
    shown = number(value, unit)
    # No uncertainty is said to be zero that is not.
    return f"±\N{NO-BREAK SPACE}{shown if float(shown) else format(value, '.1g')}\N{NO-BREAK SPACE}{unit}"
