"""One enclosure-day as the checks see it: what they are given, which channel they choose, and what they answer."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Final

import numpy as np

from service.climate.day_cycle import LIT_ABOVE_LUX, LIT_ABOVE_WATT, Photoperiod, Span
from service.climate.series import LEAST_COVERAGE, Cover, Series, cover, merged
from service.climate.targets import Target
from service.climate.uncertainty import Verdict

TEMPERATURES: Final = ("air_temperature",)
SURFACE_FIRST: Final = ("surface_temperature", "air_temperature")
AIR_FIRST: Final = ("air_temperature", "surface_temperature")
BASKING: Final = ("basking",)
AMBIENT: Final = ("ambient", "cool-end", "warm-end")
"""Ambient is measured in the first of these zones that has a channel: lamps disturb the cool end least."""


@dataclass(frozen=True, eq=False)
class Channel:
    """One quantity measured in one zone, calibrated, with what is known of its errors.

    Parameters
    ----------
    key : str
        Such as `a3-top/air_temperature`; what stands before the slash is the probe.
    quantity, zone : str
    series : Series
        From at least 60 min before the day to the next lights on, as far as known. [unit of the quantity]
    uncertainty : float
        Expanded, k = 2. [unit]
    repeat_uncertainty : float
        Of a difference that this channel took at two times, k = 2. [unit]
    resolution : float
        [unit]
    """

    key: str
    quantity: str
    zone: str
    series: Series
    uncertainty: float
    repeat_uncertainty: float
    resolution: float

    @property
    def probe(self) -> str:
        """The device that carries the channel."""
        return self.key.rsplit("/", 1)[0]


@dataclass(frozen=True)
class Cycle:
    """A misting cycle that was due or measured.

    Parameters
    ----------
    at_ms : int
        Its start. [ms, UTC]
    seconds : float
        How long the pump runs. [s]
    basis : str
        "pump current", "pump state" or "schedule".
    """

    at_ms: int
    seconds: float
    basis: str


@dataclass(frozen=True)
class Clutch:
    """Eggs in an incubator.

    Parameters
    ----------
    laid_ms : int
        [ms, UTC]
    base : float
        The species' developmental base temperature. [°C]
    needed_low, needed_high : float
        Degree-days from laying to hatching. [°C d]
    gathered : float
        Degree-days from laying to the start of this day. [°C d]
    """

    laid_ms: int
    base: float
    needed_low: float
    needed_high: float
    gathered: float = 0.0


@dataclass(frozen=True, eq=False)
class DayInput:
    """Everything that the assessment of one enclosure's local day rests on.

    Parameters
    ----------
    date, zone_name : date, str
        The local date and its IANA time zone.
    start_ms, end_ms : int
        The local day. [ms, UTC]
    photoperiod : Photoperiod
    targets : mapping of check id to Target
        Those in force on the day.
    channels : sequence of Channel
    cycles : sequence of Cycle
        Those that start in the local day, and the last one before it and first one after it where known.
    now_ms : int
        What lies later is not known yet. [ms, UTC]
    clutch : Clutch, optional
    doubts : mapping of a cycle's start to a mapping of channel key to reason
        Which channels could not be believed when the cycle was judged, as `cycle_health.doubts_at` says. [ms, UTC]
    lit_above_lux, lit_above_watt : float
        Above these a light channel and a lamp's power channel mean lit. [lx], [W]
    """

    date: date
    zone_name: str
    start_ms: int
    end_ms: int
    photoperiod: Photoperiod
    targets: Mapping[str, Target]
    channels: Sequence[Channel]
    cycles: Sequence[Cycle]
    now_ms: int
    clutch: Clutch | None = None
    doubts: Mapping[int, Mapping[str, str]] = field(default_factory=dict[int, Mapping[str, str]])
    lit_above_lux: float = LIT_ABOVE_LUX
    lit_above_watt: float = LIT_ABOVE_WATT


@dataclass(frozen=True)
class CheckResult:
    """What a check says of a day.

    Parameters
    ----------
    check : str
    verdict : Verdict or None
        None while the span is not over and the check could still turn out either way.
    value : float
        The statistic, NaN when there is none. [unit]
    unit : str
        "1" for a share of time.
    target : Target
    uncertainty : float
        Expanded, k = 2, of the readings or the difference that the statistic is made of. [unit of the target]
    coverage : float
        0 to 1, of the span so far.
    span : (int, int)
        What the check looked at. [ms, UTC]
    zone : str
        Empty when no zone has a fitting channel.
    channels : tuple of str
    sentence : str
    complete : bool
        False while the span is not over.
    details : mapping
        Further figures of this check.
    """

    check: str
    verdict: Verdict | None
    value: float
    unit: str
    target: Target
    uncertainty: float
    coverage: float
    span: Span
    zone: str
    channels: tuple[str, ...]
    sentence: str
    complete: bool
    details: Mapping[str, float | str | bool] = field(default_factory=dict[str, float | str | bool])


@dataclass(frozen=True, eq=False)
class Reach:
    """A span as far as it has passed.

    Parameters
    ----------
    spans : tuple of (int, int)
        What has passed of it. [ms, UTC]
    remaining_ms : int
        What has not.
    """

    spans: tuple[Span, ...]
    remaining_ms: int

    @property
    def complete(self) -> bool:
        """Whether the whole span has passed."""
        return self.remaining_ms == 0


def _known_by(channel: Channel, now_ms: int) -> Channel:
    """Return the channel with its readings up to now."""
    series = channel.series
    if not series.at.size or series.at[-1] <= now_ms:
        return channel
    last = int(np.searchsorted(series.at, now_ms, "right"))
    return replace(channel, series=Series(series.at[:last], series.value[:last], series.cadence_ms))


class DayView:
    """A day with its readings at hand; what several checks need is computed once.

    Parameters
    ----------
    day : DayInput
    """

    def __init__(self, day: DayInput) -> None:
        # Nothing later than now is used, not even to draw a line to it between two readings.
        self.day = replace(day, channels=[_known_by(channel, day.now_ms) for channel in day.channels])
        # By identity: a probe that was moved stands here twice under one key, once for each placement.
        self._covers: dict[tuple[int, tuple[Span, ...]], Cover] = {}

    def reach(self, *spans: Span) -> Reach:
        """Split spans into what has passed by now and what has not."""
        passed: list[Span] = []
        remaining = 0
        # One span is by far the most frequent case.
        apart = spans if len(spans) == 1 else merged(spans).tolist()
        for start, end in apart:
            if start >= end:
                continue
            so_far = min(end, max(start, self.day.now_ms))
            remaining += end - so_far
            if so_far > start:
                passed.append((start, so_far))
        return Reach(tuple(passed), remaining)

    def cover(self, channel: Channel, spans: Sequence[Span]) -> Cover:
        """Return what a channel knows of some spans."""
        key = (id(channel), tuple(spans))
        found = self._covers.get(key)
        if found is None:
            found = self._covers[key] = cover(channel.series, spans)
        return found

    def choose(
        self, zones: Sequence[str], quantities: Sequence[str], *reaches: Reach, least: float = LEAST_COVERAGE
    ) -> Channel | None:
        """Return the channel that a check uses, or None when no zone has one.

        The first zone with a channel is used, in it the first quantity of which a channel covers every span, of that
        the channel with the least uncertainty. When none covers, the one that covers most, so that the check can say
        how much.
        """
        for zone in zones:
            present = [c for q in quantities for c in self.day.channels if c.zone == zone and c.quantity == q]
            if not present:
                continue
            covered = [min((self.cover(c, r.spans).coverage for r in reaches), default=1.0) for c in present]
            enough = [c for c, share in zip(present, covered, strict=True) if share >= least]
            if not enough:
                return present[covered.index(max(covered))]
            best = next(q for q in quantities if any(c.quantity == q for c in enough))
            return min((c for c in enough if c.quantity == best), key=lambda c: (c.uncertainty, c.key))
        return None


def no_channel(check: str, target: Target, span: Span, subject: str, reason: str, unit: str = "1") -> CheckResult:
    """Return the answer of a check that has nothing to look at."""
    return CheckResult(
        check=check,
        verdict=Verdict.NO_DATA,
        value=math.nan,
        unit=unit,
        target=target,
        uncertainty=math.nan,
        coverage=0.0,
        span=span,
        zone="",
        channels=(),
        sentence=f"{subject}: no verdict, {reason}.",
        complete=True,
        details={"reason": reason},
    )


def too_little(result: CheckResult, subject: str, complete: bool = True) -> CheckResult:
    """Return the answer of a check whose readings cover too little; while its span runs it may still come right."""
    reason = (
        f"readings cover {100 * result.coverage:.0f} % of the time looked at, {100 * LEAST_COVERAGE:.0f} % are needed"
    )
    details = {**result.details, "reason": reason}
    sentence = f"{subject}: no verdict, {reason}."
    verdict = Verdict.NO_DATA if complete else None
    return replace(result, verdict=verdict, value=math.nan, sentence=sentence, complete=complete, details=details)


def not_begun(result: CheckResult, subject: str) -> CheckResult:
    """Return the answer of a check whose span is still to come, or has no length."""
    if not result.complete:
        sentence = f"{subject}: no verdict yet, the time that it looks at is still to come."
        return replace(result, verdict=None, value=math.nan, sentence=sentence)
    return no_channel(
        result.check, result.target, result.span, subject, "the time that it looks at has no length", result.unit
    )


def percent_beside(share: float, asked: float) -> str:
    """Return a share in whole percent, or with a decimal where rounding would hide that it misses what is asked."""
    whole = f"{100 * share:.0f}"
    hidden = whole == f"{100 * asked:.0f}" and share != asked
    return f"{100 * share:.1f} %" if hidden else f"{whole} %"


def limits_in_words(target: Target, digits: int, unit: str) -> str:
    """Return "20.0 to 25.0 °C", "at least 20.0 °C", "at most 25.0 °C" or "no limit"."""
    low, high = f"{target.low:.{digits}f}", f"{target.high:.{digits}f}"
    if math.isinf(target.low) and math.isinf(target.high):
        return "no limit"
    if math.isinf(target.low):
        return f"at most {high} {unit}"
    if math.isinf(target.high):
        return f"at least {low} {unit}"
    return f"{low} {unit}" if target.low == target.high else f"{low} to {high} {unit}"


def qualified(sentence: str, verdict: Verdict | None, complete: bool) -> str:
    """Return the sentence with what a reader must know of its certainty, and a full stop."""
    so_far = "" if complete else ", so far"
    close = ", too close to tell within the probe's uncertainty" if verdict is Verdict.BORDERLINE else ""
    return f"{sentence}{so_far}{close}."


def measured_at(channel: Channel, zones: Sequence[str]) -> str:
    """Return " (measured at the cool end)" when a check had to fall back on another zone than its first."""
    return "" if channel.zone == zones[0] else f" (measured at the {channel.zone.replace('-', ' ')})"
