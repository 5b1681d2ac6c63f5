"""Night: how far the enclosure cools, and whether it stays between the night's limits."""

import math
from typing import Final

from service.climate.day_cycle import Span, day_span, night_span
from service.climate.day_view import (
    AMBIENT,
    TEMPERATURES,
    Channel,
    CheckResult,
    DayView,
    limits_in_words,
    measured_at,
    no_channel,
    not_begun,
    qualified,
    too_little,
)
from service.climate.series import LEAST_COVERAGE
from service.climate.targets import Target
from service.climate.time_checks import Words, check_percentile
from service.climate.uncertainty import judge

FLOOR_PERCENTILE: Final = 5.0
CEILING_PERCENTILE: Final = 95.0
_NO_NIGHT: Final = "the enclosure has no lights, so its day has no night"
_MISSING: Final = "no air temperature channel in the ambient zone, the cool end or the warm end"


def _night_channel(view: DayView, span: Span) -> Channel | None:
    """Return the ambient channel of the night."""
    return view.choose(AMBIENT, TEMPERATURES, view.reach(span))


def check_night_drop(view: DayView, target: Target) -> CheckResult:
    """Return the median ambient of the day span less that of the night span that follows.

    One channel measures both, so its offset cancels and the repeatability part of its U is left. Ambient is the zone
    `ambient`, else the cool end, else the warm end; the sentence says which.
    """
    day, night = day_span(view.day.photoperiod), night_span(view.day.photoperiod)
    whole = (day[0], night[1])
    subject = "Night drop"
    if view.day.photoperiod.basis == "none":
        return no_channel("night-drop", target, whole, subject, _NO_NIGHT, unit="°C")
    by_day, by_night = view.reach(day), view.reach(night)
    channel = view.choose(AMBIENT, TEMPERATURES, by_day, by_night)
    if channel is None:
        return no_channel("night-drop", target, whole, subject, _MISSING, unit="°C")
    known = (view.cover(channel, by_day.spans), view.cover(channel, by_night.spans))
    covered = min(k.coverage for k in known)
    enough = covered >= LEAST_COVERAGE
    medians = [k.percentile(50) for k in known]
    value = medians[0] - medians[1] if enough else math.nan
    complete = by_day.complete and by_night.complete
    verdict = judge(value, target, channel.repeat_uncertainty) if complete else None
    said = f"{subject} {value:.1f} °C{measured_at(channel, AMBIENT)}, target {limits_in_words(target, 1, '°C')}"
    result = CheckResult(
        check="night-drop",
        verdict=verdict,
        value=value,
        unit="°C",
        target=target,
        uncertainty=channel.repeat_uncertainty,
        coverage=covered,
        span=whole,
        zone=channel.zone,
        channels=(channel.key,),
        sentence=qualified(said, verdict, complete),
        complete=complete,
        details={"day_median": medians[0], "night_median": medians[1]},
    )
    if not by_night.spans:
        return not_begun(result, subject)
    return result if enough else too_little(result, subject, complete)


def _check_limit(view: DayView, check: str, percent: float, target: Target, statement: str) -> CheckResult:
    """Return the check of one end of the night."""
    span = night_span(view.day.photoperiod)
    if view.day.photoperiod.basis == "none":
        return no_channel(check, target, span, "Night", _NO_NIGHT, unit="°C")
    channel = _night_channel(view, span)
    where = measured_at(channel, AMBIENT) if channel else ""
    return check_percentile(view, check, percent, target, channel, span, Words("Night", statement + where, _MISSING))


def check_night_floor(view: DayView, target: Target) -> CheckResult:
    """Return the 5th percentile of ambient over the night span against the profile's floor."""
    return _check_limit(view, "night-floor", FLOOR_PERCENTILE, target, "fell to {value} at its coldest")


def check_night_ceiling(view: DayView, target: Target) -> CheckResult:
    """Return the 95th percentile of ambient over the night span against the profile's ceiling."""
    return _check_limit(view, "night-ceiling", CEILING_PERCENTILE, target, "reached {value} at its warmest")
