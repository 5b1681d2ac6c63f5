"""A span held against the weeks before it, and against neighbours of the same species over the same span."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from service.climate.assessment import CHECKS
from service.climate.uncertainty import Verdict
from service.lookback.bodies import Body, number
from service.lookback.lives.robust import Middle, is_apart, middle_of
from service.lookback.words import check_name

RECENT_DAYS: Final = 14
"""So many last days before an event are compared (common practice, no source)."""
BEFORE_DAYS: Final = 28
"""So many days before those they are compared with (common practice, no source)."""
FEWEST_DAYS: Final = 3
"""Fewer known days on either side are compared with nothing."""


@dataclass(frozen=True, slots=True)
class CheckDays:
    """What one check came to on several days.

    Attributes
    ----------
    middle : Middle
        Of its values. [unit]
    unit : str
    uncertainty : float
        Expanded, the median of the days; 0 where none is known. [unit]
    """

    middle: Middle
    unit: str
    uncertainty: float


def check_days(days: Sequence[Body]) -> dict[str, CheckDays]:
    """Return what each check came to over complete days."""
    values: dict[str, list[float]] = {}
    uncertain: dict[str, list[float]] = {}
    units: dict[str, str] = {}
    for day in days:
        for result in day["checks"]:
            if result["value"] is None or not result["complete"] or result["verdict"] == Verdict.NO_DATA.value:
                continue
            values.setdefault(result["check"], []).append(result["value"])
            uncertain.setdefault(result["check"], []).append(result["uncertainty"] or 0.0)
            units[result["check"]] = result["unit"]
    # The uncertainty of a share of time is given in the unit of what was measured, not of the share.
    return {
        check: CheckDays(
            middle_of(found), units[check], 0.0 if units[check] == "1" else float(np.median(uncertain[check]))
        )
        for check, found in values.items()
    }


def compare(own: Mapping[str, CheckDays], others: Mapping[str, CheckDays]) -> list[Body]:
    """Return the checks that both have, in the order in which checks are told.

    Parameters
    ----------
    own, others : mapping of check id to CheckDays

    Returns
    -------
    list of dict
        Medians, the spread of the others, the difference, and whether it is more than spread and measurement explain.
    """
    rows: list[Body] = []
    for check in CHECKS:
        mine, theirs = own.get(check), others.get(check)
        if mine is None or theirs is None or min(mine.middle.count, theirs.middle.count) < FEWEST_DAYS:
            continue
        apart = is_apart(mine.middle, theirs.middle, (mine.uncertainty**2 + theirs.uncertainty**2) ** 0.5)
        rows.append(
            {
                "check": check,
                "unit": mine.unit,
                "own": number(mine.middle.median),
                "own_days": mine.middle.count,
                "other": number(theirs.middle.median),
                "other_spread": number(theirs.middle.spread),
                "other_days": theirs.middle.count,
                "difference": number(mine.middle.median - theirs.middle.median),
                "apart": apart,
            }
        )
    return rows


def value_words(value: float | None, unit: str) -> str:
    """Return a check's value as a person reads it: "34.2 °C", "82 %", "3.0 h"."""
    if value is None:
        return "not known"
    if unit == "1":
        return f"{100 * value:.0f} %"
    shown = {"Cel": "°C", "count": ""}.get(unit, unit)
    decimals = 0 if unit in {"%RH", "min", "count"} else 1
    return f"{value:.{decimals}f} {shown}".rstrip()


def sentences(rows: Sequence[Body], whom: str, nothing: str) -> list[str]:
    """Return in sentences what stood apart; where nothing did, say so.

    Parameters
    ----------
    rows : sequence of dict
        As `compare` returns them.
    whom : str
        Such as "in the four weeks before".
    nothing : str
        Said when there was nothing to compare with.
    """
    if not rows:
        return [nothing]
    apart = [row for row in rows if row["apart"]]
    if not apart:
        return [f"What was measured was as {whom}: no median of a check differs by more than its usual spread."]
    said = [
        f"{check_name(row['check'])}: {value_words(row['own'], row['unit'])} at the median of "
        f"{row['own_days']} days, {value_words(row['other'], row['unit'])} {whom} "
        f"(usual spread {value_words(row['other_spread'], row['unit'])})."
        for row in apart
    ]
    left = len(rows) - len(apart)
    return [*said, f"Of the other checks {left} {'was' if left == 1 else 'were'} as {whom}."] if left else said
