"""The verdict of one enclosure's local day: every check that its targets ask for."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Final

from service.climate import gradient, hot_spot, humidity, incubation, night_drop, photoperiod
from service.climate.day_view import Channel, CheckResult, Clutch, Cycle, DayInput, DayView
from service.climate.misting import MistingResult, MistingVerdict
from service.climate.spikes import Spike
from service.climate.targets import Target, with_defaults
from service.climate.uncertainty import Verdict, worst
from service.climate.wetting import Wetting, wetting_of

__all__ = ["CHECKS", "Channel", "CheckResult", "Clutch", "Cycle", "DayAssessment", "DayInput", "assess_day"]


def _dry(check: Callable[[DayView, Target], CheckResult]) -> Callable[[DayView, Wetting, Target], CheckResult]:
    """Return a check that looks at no water as one of the common form."""

    def checked(view: DayView, _wetting: Wetting, target: Target) -> CheckResult:
        return check(view, target)

    return checked


CHECKS: Final[Mapping[str, Callable[[DayView, Wetting, Target], CheckResult]]] = {
    "hot-spot": _dry(hot_spot.check_hot_spot),
    "hot-spot-peak": _dry(hot_spot.check_hot_spot_peak),
    "warm-up": _dry(hot_spot.check_warm_up),
    "gradient": _dry(gradient.check_gradient),
    "cool-retreat": _dry(gradient.check_cool_retreat),
    "night-drop": _dry(night_drop.check_night_drop),
    "night-floor": _dry(night_drop.check_night_floor),
    "night-ceiling": _dry(night_drop.check_night_ceiling),
    "humidity-day": humidity.check_humidity_day,
    "humidity-night": humidity.check_humidity_night,
    "humidity-spikes": humidity.check_humidity_spikes,
    "misting-cycles": humidity.check_misting_cycles,
    "dry-down": _dry(humidity.check_dry_down),
    "photoperiod": _dry(photoperiod.check_photoperiod),
    "incubation": _dry(incubation.check_incubation),
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
    misting : tuple of MistingResult
        The cycles that started in the local day.
    spikes : tuple of Spike
        Those that follow no cycle.
    """

    date: date
    verdict: Verdict | None
    checks: tuple[CheckResult, ...]
    complete: bool
    misting: tuple[MistingResult, ...] = ()
    spikes: tuple[Spike, ...] = ()

    @property
    def spike_counts(self) -> dict[str, int]:
        """How many cycles have each verdict, and how many spikes follow no cycle."""
        cycles = {
            verdict.value.replace(" ", "_"): sum(cycle.verdict is verdict for cycle in self.misting)
            for verdict in MistingVerdict
        }
        return {**cycles, "unscheduled": len(self.spikes)}


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
    wetting = wetting_of(view)
    checks = tuple(
        check(view, wetting, with_defaults(name, day.targets[name]))
        for name, check in CHECKS.items()
        if name in day.targets
    )
    complete = all(result.complete for result in checks) and day.now_ms >= day.end_ms
    return DayAssessment(day.date, _summary(checks, complete), checks, complete, wetting.cycles, wetting.spikes)
