"""How long the lights were on, as measured."""

from typing import Final

from service.climate.day_cycle import (
    LAMP_BREAK_MIN,
    LIGHT_BREAK_MIN,
    lit_spans,
)
from service.climate.day_view import Channel, CheckResult, DayView, limits_in_words, no_channel, qualified, too_little
from service.climate.ranges import HOUR_MS
from service.climate.series import LEAST_COVERAGE, length_ms
from service.climate.targets import Target
from service.climate.uncertainty import Verdict

TOLERANCE_H: Final = 0.5
"""What the profile's hours may be missed by (common practice, no source) [h]."""


def _measured_by(view: DayView) -> tuple[Channel, float, float] | None:
    """Return the channel that sees the lights, its threshold, and the breaks that do not count [min].

    Light inside the enclosure where a channel covers the day; else a lamp's power, when the photoperiod rests on it.
    """
    so_far = view.reach((view.day.start_ms, view.day.end_ms)).spans
    light = [c for c in view.day.channels if c.quantity == "illuminance" and c.zone != "outside"]
    power = (
        [c for c in view.day.channels if c.quantity == "power"] if view.day.photoperiod.basis == "lamp power" else []
    )
    kinds = ((light, view.day.lit_above_lux, LIGHT_BREAK_MIN), (power, view.day.lit_above_watt, LAMP_BREAK_MIN))
    found = [(c, threshold, float(breaks)) for group, threshold, breaks in kinds for c in group]
    covering = (f for f in found if view.cover(f[0], so_far).coverage >= LEAST_COVERAGE)
    return next(covering, found[0] if found else None)


def _verdict(lit: float, unknown: float, edges: float, target: Target, remaining: float) -> Verdict | None:
    """Judge lit hours that lie between `lit - edges` and `lit + unknown + edges` [h]."""
    low, high = target.low - TOLERANCE_H, target.high + TOLERANCE_H
    if lit - edges > high or lit + unknown + edges + remaining < low:
        return Verdict.NOT_MET
    if remaining:
        return None
    return Verdict.MET if lit - edges >= low and lit + unknown + edges <= high else Verdict.BORDERLINE


def _sun_words(target: Target) -> str:
    """Return ", by the day length at 19° S" for a target that follows the sun."""
    if target.latitude is None:
        return ""
    return f", by the day length at {abs(target.latitude):g}° {'N' if target.latitude >= 0 else 'S'}"


def check_photoperiod(view: DayView, target: Target) -> CheckResult:
    """Return the measured lit hours of the local day; the profile's hours may be missed by half an hour.

    The profile's hours may be those of the sun at a latitude: then they change from day to day.

    Lights on and off are each known to within a cadence; time without readings may have been lit. A schedule alone
    measures nothing: without a light or lamp-power channel there is no verdict.
    """
    day, subject = view.day, "Lit hours"
    span = (day.start_ms, day.end_ms)
    measured = _measured_by(view)
    if measured is None:
        scheduled = (day.photoperiod.off_ms - day.photoperiod.on_ms) / HOUR_MS
        asks = f"; the schedule asks for {scheduled:.1f} h" if day.photoperiod.basis == "schedule" else ""
        if target.latitude is not None:
            asks += f"; the target is {limits_in_words(target, 1, 'h')}{_sun_words(target)}"
        return no_channel("photoperiod", target, span, subject, f"no channel measures the lights{asks}", unit="h")
    channel, threshold, breaks = measured
    reach = view.reach(span)
    known = view.cover(channel, reach.spans)
    now = min(day.end_ms, max(day.start_ms, day.now_ms))
    lit = length_ms(lit_spans(channel.series, threshold, breaks, day.start_ms, now)) / HOUR_MS
    unknown = (known.span_ms - known.covered_ms) / HOUR_MS
    edges = 2 * channel.series.cadence_ms / HOUR_MS
    verdict = _verdict(lit, unknown, edges, target, reach.remaining_ms / HOUR_MS)
    said = f"{subject} {lit:.1f} h, target {limits_in_words(target, 1, 'h')} ± {TOLERANCE_H:.1f} h{_sun_words(target)}"
    result = CheckResult(
        check="photoperiod",
        verdict=verdict,
        value=lit,
        unit="h",
        target=target,
        uncertainty=edges,
        coverage=known.coverage,
        span=span,
        zone=channel.zone,
        channels=(channel.key,),
        sentence=qualified(said, verdict, reach.complete),
        complete=reach.complete,
        details={"hours_unknown": unknown, "tolerance": TOLERANCE_H},
    )
    if known.coverage < LEAST_COVERAGE and not (verdict is Verdict.NOT_MET and not reach.complete):
        return too_little(result, subject, reach.complete)
    return result
