"""The verdict of one enclosure's local day: every check that its targets ask for."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Final

from service.climate import hot_spot, night_drop
from service.climate.day_view import Channel, CheckResult, Clutch, Cycle, DayInput, DayView
from service.climate.targets import Target, with_defaults
from service.climate.uncertainty import Verdict, worst

__all__ = ["CHECKS", "Channel", "CheckResult", "Clutch", "Cycle", "DayAssessment", "DayInput", "assess_day"]

CHECKS: Final[Mapping[str, Callable[[DayView, Target], CheckResult]]] = {
    "hot-spot": hot_spot.check_hot_spot,
    "hot-spot-peak": hot_spot.check_hot_spot_peak,
    "warm-up": hot_spot.check_warm_up,
    "night-drop": night_drop.check_night_drop,
    "night-floor": night_drop.check_night_floor,
    "night-ceiling": night_drop.check_night_ceiling,
}
"""The checks of a day, in the order in which they are told."""


@dataclass(frozen=True)
class DayAssessment:
    """What a day was.

    Parameters
    ----------
    date : date
    verdict : Verdict or None
        The worst of the checks; None while the day runs and nothing is beyond mending yet.
    checks : tuple of CheckResult
    complete : bool
        Whether every check has seen its whole span; the night of a day ends on the next date.
    """

    date: date
    verdict: Verdict | None
    checks: tuple[CheckResult, ...]
    complete: bool


def _summary(checks: tuple[CheckResult, ...], complete: bool) -> Verdict | None:
    """Return the day's verdict: while it runs, only a failure that nothing can mend counts."""
    given = [result.verdict for result in checks if result.verdict is not None]
    if complete:
        return worst(given)
    return Verdict.NOT_MET if Verdict.NOT_MET in given else None


def assess_day(day: DayInput) -> DayAssessment:
    """Assess one enclosure's local day.

    Parameters
    ----------
    day : DayInput
        Only the checks in its targets are made; a check without a fitting channel answers "no data" with the reason.

    Returns
    -------
    DayAssessment
    """
    view = DayView(day)
    checks = tuple(
        check(view, with_defaults(name, day.targets[name])) for name, check in CHECKS.items() if name in day.targets
    )
    complete = all(result.complete for result in checks) and day.now_ms >= day.end_ms
    return DayAssessment(day.date, _summary(checks, complete), checks, complete)
