"""The basking zone: hot long enough, never too hot, and soon enough after lights on."""

import math
from typing import Final

import numpy as np

from service.climate.day_cycle import Span, day_span
from service.climate.day_view import (
    BASKING,
    SURFACE_FIRST,
    Channel,
    CheckResult,
    DayView,
    no_channel,
    qualified,
    too_little,
)
from service.climate.ranges import MINUTE_MS
from service.climate.series import LEAST_COVERAGE, runs
from service.climate.targets import Target
from service.climate.time_checks import Words, check_percentile, check_share
from service.climate.uncertainty import Verdict

PEAK_PERCENTILE: Final = 99.0
"""The hottest hundredth of the day is left out, so that one reading cannot fail it (common practice, no source)."""
WARM_FOR_MIN: Final = 5
"""The basking zone is warm once it has been so for this long (common practice, no source) [min]."""
_MISSING: Final = "no temperature channel in the basking zone"


def check_hot_spot(view: DayView, target: Target) -> CheckResult:
    """Return the share of the day span with the basking zone in its band; surface temperature where measured."""
    span = day_span(view.day.photoperiod)
    channel = view.choose(BASKING, SURFACE_FIRST, view.reach(span))
    words = Words("Basking spot", "in its band for {value} of the day", _MISSING)
    return check_share(view, "hot-spot", target, channel, (span,), words)


def check_hot_spot_peak(view: DayView, target: Target) -> CheckResult:
    """Return the 99th percentile of the basking zone over the whole local day against the profile's ceiling."""
    span = (view.day.start_ms, view.day.end_ms)
    channel = view.choose(BASKING, SURFACE_FIRST, view.reach(span))
    words = Words("Basking spot", "reached {value} at its hottest", _MISSING)
    return check_percentile(view, "hot-spot-peak", PEAK_PERCENTILE, target, channel, span, words)


def minutes_to_warm(channel: Channel, limit: float, span: Span) -> float:
    """Return the minutes from the start of a span until the channel has been at or above a limit for 5 min.

    Infinite when it has not by the end of the span. A gap breaks the 5 min.
    """
    found = runs(channel.series, limit, np.inf, *span)
    long_enough = found[found[:, 1] - found[:, 0] >= WARM_FOR_MIN * MINUTE_MS]
    if not len(long_enough):
        return math.inf
    return float(long_enough[0, 0] + WARM_FOR_MIN * MINUTE_MS - span[0]) / MINUTE_MS


def _warm_up_verdict(view: DayView, channel: Channel, low: float, target: Target, span: Span) -> Verdict | None:
    """Judge the warm-up with the limit taken a U too high (for certain) and a U too low (at best)."""
    certain = minutes_to_warm(channel, low + channel.uncertainty, span)
    at_best = minutes_to_warm(channel, low - channel.uncertainty, span)
    waited = (view.day.now_ms - view.day.photoperiod.on_ms) / MINUTE_MS
    if certain <= target.high:
        return Verdict.MET
    if min(at_best, waited) > target.high:
        return Verdict.NOT_MET
    if waited > target.high or view.reach((span[0], view.day.photoperiod.off_ms)).complete:
        return Verdict.BORDERLINE if at_best <= target.high else Verdict.NOT_MET
    return None


def check_warm_up(view: DayView, target: Target) -> CheckResult:
    """Return the minutes from lights on until the basking zone has been at its band's low end for 5 min.

    The low end is that of `hot-spot`. U widens it both ways: met when even low + U is reached in time, not met when
    even low - U is not.
    """
    period = view.day.photoperiod
    lit = (period.on_ms, period.off_ms)
    subject = "Basking spot"
    low = view.day.targets.get("hot-spot", Target()).low
    if period.basis == "none":
        return no_channel("warm-up", target, lit, subject, "the enclosure has no lights", unit="min")
    if math.isinf(low):
        return no_channel("warm-up", target, lit, subject, "the profile has no lower end for the hot spot", unit="min")
    asked_ms = int(min(target.high * MINUTE_MS, lit[1] - lit[0]))
    window = view.reach((lit[0], min(lit[1], lit[0] + asked_ms + WARM_FOR_MIN * MINUTE_MS)))
    channel = view.choose(BASKING, SURFACE_FIRST, window)
    if channel is None:
        return no_channel("warm-up", target, lit, subject, _MISSING, unit="min")
    passed = (lit[0], max(lit[0], min(lit[1], view.day.now_ms)))
    verdict = _warm_up_verdict(view, channel, low, target, passed)
    taken = minutes_to_warm(channel, low, passed)
    reached = math.isfinite(taken)
    known = view.cover(channel, window.spans)
    value = taken if reached else (passed[1] - passed[0]) / MINUTE_MS
    words = f"warm {value:.0f} min after lights on" if reached else f"not yet warm {value:.0f} min after lights on"
    result = CheckResult(
        check="warm-up",
        verdict=verdict,
        value=value,
        unit="min",
        target=target,
        uncertainty=channel.uncertainty,
        coverage=known.coverage,
        span=lit,
        zone=channel.zone,
        channels=(channel.key,),
        sentence=qualified(f"{subject} {words}, target at most {target.high:.0f} min", verdict, complete=True),
        complete=verdict is not None,
        details={"reached": reached, "low": low},
    )
    return too_little(result, subject, window.complete) if known.coverage < LEAST_COVERAGE else result
