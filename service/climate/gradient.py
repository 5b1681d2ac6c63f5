"""The thermal gradient: from the warm side to the retreat that must stay cool."""

import math
from typing import Final

import numpy as np

from service.climate.day_cycle import day_span
from service.climate.day_view import (
    AIR_FIRST,
    Channel,
    CheckResult,
    DayView,
    limits_in_words,
    no_channel,
    not_begun,
    qualified,
    too_little,
)
from service.climate.series import LEAST_COVERAGE, Series, cover, pair
from service.climate.targets import Target
from service.climate.time_checks import Words, check_share, percentile_verdict
from service.climate.uncertainty import Verdict, quadrature

WARM_SIDE: Final = ("basking", "warm-end")
COOL_SIDE: Final = ("cool-end",)


def difference(warm: Channel, cool: Channel) -> Series:
    """Return warm less cool at the times of the warm channel, matched within the hold [°C]."""
    at, high, low = pair(warm.series, cool.series)
    return Series(at, np.asarray(high - low), warm.series.cadence_ms)


def check_gradient(view: DayView, target: Target) -> CheckResult:
    """Return the median over the day span of the basking zone, or the warm end, less the cool end.

    Air temperatures where both sides have them. The channels' U add in quadrature.
    """
    span, subject = day_span(view.day.photoperiod), "Gradient"
    reach = view.reach(span)
    warm, cool = view.choose(WARM_SIDE, AIR_FIRST, reach), view.choose(COOL_SIDE, AIR_FIRST, reach)
    if warm is None or cool is None:
        where = "basking zone or at the warm end" if warm is None else "cool end"
        return no_channel("gradient", target, span, subject, f"no temperature channel in the {where}", unit="°C")
    known = cover(difference(warm, cool), reach.spans)
    uncertainty = quadrature(warm.uncertainty, cool.uncertainty)
    verdict = percentile_verdict(known, 50, target, uncertainty, reach)
    value = known.percentile(50)
    side = "basking zone" if warm.zone == "basking" else warm.zone.replace("-", " ")
    said = f"{subject} {value:.1f} °C from the {side} to the cool end, target {limits_in_words(target, 1, '°C')}"
    result = CheckResult(
        check="gradient",
        verdict=verdict,
        value=value,
        unit="°C",
        target=target,
        uncertainty=uncertainty,
        coverage=known.coverage,
        span=span,
        zone=warm.zone,
        channels=(warm.key, cool.key),
        sentence=qualified(said, verdict, reach.complete),
        complete=reach.complete,
    )
    if not reach.spans:
        return not_begun(result, subject)
    if known.coverage < LEAST_COVERAGE and not (verdict is Verdict.NOT_MET and not reach.complete):
        return too_little(result, subject, reach.complete)
    return result


def check_cool_retreat(view: DayView, target: Target) -> CheckResult:
    """Return the share of the day span with the cool end at or below its maximum."""
    span = day_span(view.day.photoperiod)
    channel = view.choose(COOL_SIDE, AIR_FIRST, view.reach(span))
    limit = "its maximum" if math.isinf(target.high) else f"{target.high:.1f} °C"
    words = Words("Cool end", f"at or below {limit} for {{value}} of the day", "no temperature channel in the cool end")
    return check_share(view, "cool-retreat", target, channel, (span,), words)
