"""Humidity: its bands outside the spikes, the spikes themselves, and whether the enclosure dries in between."""

import math
from dataclasses import replace
from typing import Final

import numpy as np

from service.climate.day_cycle import Span, day_span, night_span
from service.climate.day_view import (
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
from service.climate.misting import MistingVerdict
from service.climate.ranges import HOUR_MS, MINUTE_MS
from service.climate.series import LEAST_COVERAGE, longest_run, without
from service.climate.targets import Target
from service.climate.time_checks import Words, check_share
from service.climate.uncertainty import Verdict
from service.climate.wetting import Wetting
from service.climate.zone_air import HUMIDITY_ZONES

HUMIDITY: Final = ("relative_humidity",)
WET_LEVEL: Final = 90.0
"""At or above it the enclosure is wet (common practice, no source) [%RH]."""
_MISSING: Final = "no humidity channel in the enclosure's air"


def _humidity_channel(view: DayView, *spans: Span) -> Channel | None:
    return view.choose(HUMIDITY_ZONES, HUMIDITY, view.reach(*spans))


def _check_band(view: DayView, wetting: Wetting, check: str, target: Target, span: Span, word: str) -> CheckResult:
    """Return the share of a span, its spikes left out, with humidity in its band."""
    subject = f"Humidity by {word}"
    outside: list[Span] = [(a, b) for a, b in without([span], wetting.spike_spans).tolist()]
    if not outside:
        reason = "its time is all within spikes" if span[1] > span[0] else "it has no such span"
        return no_channel(check, target, span, subject, reason)
    channel = _humidity_channel(view, *outside)
    where = measured_at(channel, HUMIDITY_ZONES) if channel else ""
    words = Words(subject, f"in its band for {{value}} of the time outside spikes{where}", _MISSING)
    return check_share(view, check, target, channel, tuple(outside), words)


def check_humidity_day(view: DayView, wetting: Wetting, target: Target) -> CheckResult:
    """Return the share of the day span, its spikes left out, with humidity in its band."""
    return _check_band(view, wetting, "humidity-day", target, day_span(view.day.photoperiod), "day")


def check_humidity_night(view: DayView, wetting: Wetting, target: Target) -> CheckResult:
    """Return the share of the night span, its spikes left out, with humidity in its band."""
    return _check_band(view, wetting, "humidity-night", target, night_span(view.day.photoperiod), "night")


def _count_verdict(certain: int, possible: int, undecided: int, target: Target, complete: bool) -> Verdict | None:
    """Judge a count that lies for certain at one number, possibly at more.

    Parameters
    ----------
    certain : int
        What is counted for sure.
    possible : int
        What may count besides, within the uncertainty.
    undecided : int
        What could not be judged.
    target : Target
    complete : bool
        While False, only too many are beyond mending.
    """
    if certain > target.high:
        return Verdict.NOT_MET
    if not complete:
        return None
    if certain + possible + undecided < target.low:
        return Verdict.NOT_MET
    if certain >= target.low and certain + possible + undecided <= target.high:
        return Verdict.MET
    # Without the undecided ones it would be a matter of uncertainty; with them it cannot be told.
    return Verdict.NO_DATA if undecided else Verdict.BORDERLINE


def _counted(
    check: str, wetting: Wetting, target: Target, span: Span, value: float, unit: str, complete: bool
) -> CheckResult:
    """Return a result on spikes with all but its verdict and sentence."""
    counts: dict[str, float | str | bool] = {
        verdict.value.replace(" ", "_"): wetting.count(verdict) for verdict in MistingVerdict
    }
    air, known = wetting.air, wetting.known
    return CheckResult(
        check=check,
        verdict=None,
        value=value,
        unit=unit,
        target=target,
        uncertainty=0.0,
        coverage=known.coverage if known else 0.0,
        span=span,
        zone=air.zone if air else "",
        channels=air.channels if air else (),
        sentence="",
        complete=complete,
        details={**counts, "unscheduled": len(wetting.spikes)},
    )


def check_humidity_spikes(view: DayView, wetting: Wetting, target: Target) -> CheckResult:
    """Return the number of confirmed spikes in the local day: misting cycles and unscheduled ones."""
    span, subject = (view.day.start_ms, view.day.end_ms), "Humidity spikes"
    if wetting.air is None or wetting.known is None:
        return no_channel("humidity-spikes", target, span, subject, wetting.reason, unit="a day")
    complete = view.reach(span).complete
    confirmed = wetting.count(MistingVerdict.CONFIRMED)
    certain = confirmed + len(wetting.spikes)
    result = _counted("humidity-spikes", wetting, target, span, certain, "a day", complete)
    verdict = _count_verdict(certain, wetting.possible, wetting.undecided, target, complete)
    if verdict is not Verdict.NOT_MET and wetting.known.coverage < LEAST_COVERAGE:
        return too_little(result, subject, complete)
    if verdict is Verdict.NOT_MET and certain < target.low and wetting.known.coverage < LEAST_COVERAGE:
        # A spike may lie in the gaps: too few cannot be told.
        return too_little(result, subject, complete)
    from_cycles = f"{confirmed} from misting, {len(wetting.spikes)} besides"
    said = f"{subject}: {certain} ({from_cycles}), target {limits_in_words(target, 0, 'a day')}"
    sentence = _undecided_words(said, verdict, wetting.undecided, complete)
    return replace(result, verdict=verdict, sentence=sentence)


def _undecided_words(said: str, verdict: Verdict | None, undecided: int, complete: bool) -> str:
    """Return the sentence, with what could not be judged where that decides."""
    if verdict is Verdict.NO_DATA:
        return f"{said}; no verdict, {undecided} cycle{'s' if undecided > 1 else ''} cannot be judged."
    return qualified(said, verdict, complete)


def check_misting_cycles(view: DayView, wetting: Wetting, target: Target) -> CheckResult:
    """Return the share of the local day's due cycles that are confirmed.

    A weak cycle whose response lies within U of what is asked may have worked; one that could not be judged leaves the
    check without a verdict when it decides.
    """
    span, subject = (view.day.start_ms, view.day.end_ms), "Misting"
    due = sum(span[0] <= cycle.at_ms < span[1] for cycle in view.day.cycles)
    if not due:
        return no_channel("misting-cycles", target, span, subject, "no cycle was due")
    if wetting.air is None:
        return no_channel("misting-cycles", target, span, subject, wetting.reason)
    complete = len(wetting.cycles) == due and all(cycle.complete for cycle in wetting.cycles)
    confirmed = wetting.count(MistingVerdict.CONFIRMED)
    to_come = due - len(wetting.cycles)
    asked = Target(low=math.ceil(due * (1.0 if target.share is None else target.share) - 1e-9))
    result = _counted("misting-cycles", wetting, target, span, confirmed / due, "1", complete)
    undecided = wetting.undecided + to_come
    verdict = _count_verdict(confirmed, wetting.possible, undecided, asked, complete)
    if not complete and confirmed + wetting.possible + undecided < asked.low:
        verdict = Verdict.NOT_MET
    said = f"{subject}: {confirmed} of {due} cycles confirmed, target {asked.low:.0f}"
    return replace(result, verdict=verdict, sentence=_undecided_words(said, verdict, undecided, complete))


def _run_verdict(certain: float, at_most: float, target: Target, reach_complete: bool) -> Verdict | None:
    """Judge a longest run that lies between two lengths [h]."""
    if certain > target.high:
        return Verdict.NOT_MET
    if not reach_complete:
        return None
    return Verdict.MET if at_most <= target.high else Verdict.BORDERLINE


def check_dry_down(view: DayView, target: Target) -> CheckResult:
    """Return the longest unbroken time with humidity at or above 90 %RH, from lights on to the next lights on.

    So the night is looked at whole; without lights it is the local day. U of the humidity moves the wet level both
    ways.
    """
    period = view.day.photoperiod
    span, subject = (period.on_ms, period.next_on_ms), "Dry-down"
    channel = _humidity_channel(view, span)
    if channel is None:
        return no_channel("dry-down", target, span, subject, _MISSING, unit="h")
    reach = view.reach(span)
    known = view.cover(channel, reach.spans)
    passed = (span[0], max(span[0], min(span[1], view.day.now_ms)))
    hours = [
        longest_run(channel.series, WET_LEVEL + shift, np.inf, *passed) * MINUTE_MS / HOUR_MS
        for shift in (channel.uncertainty, 0.0, -channel.uncertainty)
    ]
    verdict = _run_verdict(hours[0], hours[2], target, reach.complete)
    where = measured_at(channel, HUMIDITY_ZONES)
    said = f"{subject}: wet for {hours[1]:.1f} h at a stretch{where}, target {limits_in_words(target, 1, 'h')}"
    result = CheckResult(
        check="dry-down",
        verdict=verdict,
        value=hours[1],
        unit="h",
        target=target,
        uncertainty=channel.uncertainty,
        coverage=known.coverage,
        span=span,
        zone=channel.zone,
        channels=(channel.key,),
        sentence=qualified(said, verdict, reach.complete),
        complete=reach.complete,
        details={"hours_certain": hours[0], "hours_at_most": hours[2], "wet_level": WET_LEVEL},
    )
    if verdict is Verdict.NOT_MET:
        return result
    if not reach.spans:
        return not_begun(result, subject)
    return too_little(result, subject, reach.complete) if known.coverage < LEAST_COVERAGE else result
