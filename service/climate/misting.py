"""Did the misting work? Judged by the water that entered the air, never by relative humidity alone."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from service.climate.day_cycle import Span
from service.climate.day_view import Cycle
from service.climate.misting_noise import LEAST_NOISE, NOISE_MIN, noise_before, readings_within, response_uncertainty
from service.climate.ranges import MINUTE_MS, Floats
from service.climate.series import LEAST_COVERAGE, cover, median_of
from service.climate.targets import Target
from service.climate.zone_air import ZoneAir

# All of these: common practice, no source.
ASKED_RESPONSE: Final = 10.0
"""Added humidity that a working cycle shows [%RH]."""
BASELINE_MIN: Final = 10
RESPONSE_MIN: Final = 20
MOVING_BY: Final = 3.0
"""Temperature is moving when it changes by more than this within the window [°C]."""
MOVING_AFTER_LIGHTS_ON_MIN: Final = 60
LONGEST_SPIKE_MIN: Final = 180
"""A spike ends here at the latest, so that a lasting wet spell counts against the humidity band [min]."""
SPIKE_ENDS_AT: Final = 1 / 3
"""A spike ends when added humidity has fallen to this part of its peak."""
LEAST_RESPONSE_READINGS: Final = 2


class MistingVerdict(StrEnum):
    """What the air says of a cycle."""

    CONFIRMED = "confirmed"
    WEAK = "weak"
    NONE = "none"
    SATURATED = "saturated"
    NO_DATA = "no data"


@dataclass(frozen=True)
class MistingResult:
    """What a misting cycle did.

    Parameters
    ----------
    at_ms : int
        Its start. [ms, UTC]
    basis : str
        How its start is known.
    verdict : MistingVerdict or None
        None while its 20 min are not over, unless it is confirmed already.
    response : float
        Greatest added humidity within 20 min, NaN without data. [%RH]
    uncertainty : float
        Of the response, k = 2. [%RH]
    noise : float
        What the response must exceed to be seen at all. [%RH]
    rise_minutes, decay_minutes : float
        From the start to the greatest, and from there until it has halved or the next cycle starts; NaN when not known.
    baseline_vapour_pressure, baseline_humidity : float
        Medians of the 10 min before. [Pa], [%RH]
    humidity_rise : float
        How far relative humidity itself rose above that within 20 min. [%RH]
    coverage : float
        Of the window from 10 min before to 20 min after.
    temperature_moving : bool
    complete : bool
        Whether the 20 min are over.
    spike : (int, int) or None
        The time that the humidity bands leave out. [ms, UTC]
    channels : tuple of str
    sentence : str
    asked : float
        Response that a working cycle shows. [%RH]
    """

    at_ms: int
    basis: str
    verdict: MistingVerdict | None
    response: float = math.nan
    uncertainty: float = math.nan
    noise: float = math.nan
    rise_minutes: float = math.nan
    decay_minutes: float = math.nan
    baseline_vapour_pressure: float = math.nan
    baseline_humidity: float = math.nan
    humidity_rise: float = math.nan
    coverage: float = 0.0
    temperature_moving: bool = False
    complete: bool = True
    spike: Span | None = None
    channels: tuple[str, ...] = ()
    sentence: str = ""
    asked: float = ASKED_RESPONSE

    @property
    def may_reach(self) -> bool:
        """Whether the response may, within its U, be what a working cycle shows."""
        return self.response >= self.asked - self.uncertainty


@dataclass(frozen=True)
class Surroundings:
    """What a cycle is judged within.

    Parameters
    ----------
    now_ms : int
        What lies later is not known yet. [ms, UTC]
    next_ms : int or None
        The next cycle's start. [ms, UTC]
    lights_on_ms : int or None
        [ms, UTC]
    zone : ZoneInfo
        For the time of day in the sentence.
    asked : float
        Response that a working cycle shows. [%RH]
    quiet_until_ms : int or None
        Noise is measured over the 30 min before this, by default before the cycle itself; where other cycles started
        within that time, before the first of them. [ms, UTC]
    wet_since_ms : int or None
        When a cycle less than 30 min before started whose water still is in the air. [ms, UTC]
    doubt : str
        Why the probes around the cycle cannot be believed; empty when they can.
    """

    now_ms: int
    next_ms: int | None
    lights_on_ms: int | None
    zone: ZoneInfo
    asked: float = ASKED_RESPONSE
    quiet_until_ms: int | None = None
    wet_since_ms: int | None = None
    doubt: str = ""


def asked_response(targets: Mapping[str, Target]) -> float:
    """Return what a working cycle shows: the low end of `misting-cycles` where a profile sets one [%RH]."""
    low = targets["misting-cycles"].low if "misting-cycles" in targets else -math.inf
    return ASKED_RESPONSE if math.isinf(low) else low


def _first_below(added: Floats, limit: float) -> int | None:
    """Return the first index at or below a limit, None when there is none."""
    below = added <= limit
    return int(np.argmax(below)) if below.any() else None


def _aftermath(air: ZoneAir, result: MistingResult, peak: int, around: Surroundings) -> tuple[float, Span]:
    """Return the minutes until the response has halved, and the spike's time, as far as known."""
    horizon = around.now_ms if around.next_ms is None else min(around.now_ms, around.next_ms)
    when = int(air.at[peak])
    # A cycle that starts within the response's own 20 min leaves nothing to follow.
    rest = slice(peak, max(peak, int(air.at.searchsorted(horizon, "right"))))
    added, at = air.added_humidity(result.baseline_vapour_pressure, rest), air.at[rest]
    halved = _first_below(added, result.response / 2)
    decay = math.nan
    if halved is not None:
        decay = float(at[halved] - when) / MINUTE_MS
    elif around.next_ms is not None and around.next_ms <= around.now_ms:
        decay = max(0.0, float(around.next_ms - when) / MINUTE_MS)
    third = _first_below(added, result.response * SPIKE_ENDS_AT)
    latest = min(horizon, result.at_ms + LONGEST_SPIKE_MIN * MINUTE_MS)
    end = latest if third is None else min(latest, int(at[third]))
    return decay, (result.at_ms, max(result.at_ms, end))


def _verdict(result: MistingResult, headroom: float, least_rise: float) -> MistingVerdict:
    """Judge a cycle whose window is covered; headroom is that of the middle of the window.

    Wet ground in warming air gives off water too, but it can hold relative humidity at most, not raise it: a response
    in which humidity itself did not rise is weak evidence, whatever its size.
    """
    asked = result.asked
    if 100 - result.baseline_humidity < asked:
        return MistingVerdict.SATURATED
    if result.response >= asked + result.uncertainty:
        return MistingVerdict.CONFIRMED if result.humidity_rise > least_rise else MistingVerdict.WEAK
    # Air that comes near saturation by cooling, or lacks the points of the guard band, hides a working pump too.
    if min(headroom, 100 - result.baseline_humidity) < asked + result.uncertainty:
        return MistingVerdict.SATURATED
    return MistingVerdict.WEAK if result.response > result.noise else MistingVerdict.NONE


def judge_cycle(air: ZoneAir, cycle: Cycle, around: Surroundings) -> MistingResult:
    """Say whether a misting cycle put water into the air.

    Parameters
    ----------
    air : ZoneAir
        From 30 min before the cycle, as far as known.
    cycle : Cycle
    around : Surroundings

    Returns
    -------
    MistingResult
        Its verdict is CONFIRMED when added humidity within 20 min reaches what is asked and its U; WEAK when it is only
        above the noise; NONE otherwise; SATURATED when the air left no room to show a response; NO_DATA when readings
        cover less than 0.75 of the window, are too far apart to show a spike, or cannot be believed.
    """
    start = cycle.at_ms
    window_end = start + RESPONSE_MIN * MINUTE_MS
    complete = around.now_ms >= window_end
    result = MistingResult(start, cycle.basis, None, complete=complete, channels=air.channels, asked=around.asked)
    known_until = min(window_end, around.now_ms)
    known = cover(air.series, [(start - BASELINE_MIN * MINUTE_MS, known_until)])
    before = readings_within(air, start - BASELINE_MIN * MINUTE_MS, start)
    # The last instant of the window belongs to it, the start does not.
    after = readings_within(air, start + 1, known_until + 1)
    seen = int(np.count_nonzero(~np.isnan(air.humidity[after])))
    if around.doubt and complete:
        return told(replace(result, verdict=MistingVerdict.NO_DATA, coverage=known.coverage), around)
    if known.coverage < LEAST_COVERAGE or seen < LEAST_RESPONSE_READINGS or before.stop == before.start:
        verdict = MistingVerdict.NO_DATA if complete else None
        return told(replace(result, verdict=verdict, coverage=known.coverage), around)
    return told(_judged(air, result, after, known.coverage, around), around)


def _judged(air: ZoneAir, result: MistingResult, after: slice, covered: float, around: Surroundings) -> MistingResult:
    """Return the result of a cycle whose window is covered."""
    start = result.at_ms
    baseline_span = [(start - BASELINE_MIN * MINUTE_MS, start)]
    baseline = cover(air.vapour, baseline_span).percentile(50)
    if math.isnan(baseline):
        return replace(result, verdict=MistingVerdict.NO_DATA if result.complete else None, coverage=covered)
    humidity = cover(air.series, baseline_span).percentile(50)
    added = air.added_humidity(baseline, after)
    known = ~np.isnan(added)
    peak = after.start + int(np.argmax(np.where(known, added, -np.inf)))
    temperature = air.temperature[readings_within(air, baseline_span[0][0], start).start : after.stop]
    since_lights_on = math.inf if around.lights_on_ms is None else start - around.lights_on_ms
    moving = (
        0 <= since_lights_on < MOVING_AFTER_LIGHTS_ON_MIN * MINUTE_MS
        or float(np.fmax.reduce(temperature) - np.fmin.reduce(temperature)) > MOVING_BY
    )
    result = replace(
        result,
        response=float(added[peak - after.start]),
        uncertainty=response_uncertainty(air, peak, baseline),
        noise=noise_before(air, start if around.quiet_until_ms is None else around.quiet_until_ms, baseline),
        rise_minutes=float(air.at[peak] - start) / MINUTE_MS,
        baseline_vapour_pressure=baseline,
        baseline_humidity=humidity,
        humidity_rise=float(air.humidity[after][known].max()) - humidity,
        coverage=covered,
        temperature_moving=moving,
    )
    expected = np.minimum(100.0, 100 * baseline / air.saturation[after][known])
    verdict = _verdict(result, 100 - median_of(expected), LEAST_NOISE + air.humidity_repeat)
    if not result.complete and verdict is not MistingVerdict.CONFIRMED:
        return result
    if verdict is MistingVerdict.NONE and around.wet_since_ms is not None:
        # The pump ran minutes ago, and air that it wetted takes up little more: this one cannot be told.
        verdict = MistingVerdict.SATURATED
    if verdict in {MistingVerdict.CONFIRMED, MistingVerdict.WEAK}:
        decay, spike = _aftermath(air, result, peak, around)
        return replace(result, verdict=verdict, decay_minutes=decay, spike=spike)
    return replace(result, verdict=verdict)


def _when(at_ms: int, zone: ZoneInfo) -> str:
    return f"Misting at {datetime.fromtimestamp(at_ms / 1000, zone):%H:%M}"


def _no_room(result: MistingResult, around: Surroundings) -> str:
    if around.wet_since_ms is not None:
        return f"the air was still wet from the cycle {(result.at_ms - around.wet_since_ms) / MINUTE_MS:.0f} min before"
    return f"the air, at {result.baseline_humidity:.0f} %RH before, had no room to show it"


def _no_data(result: MistingResult, around: Surroundings) -> str:
    covered = f"humidity and temperature readings cover {100 * result.coverage:.0f} % of the time around it"
    return around.doubt or f"{covered}, or are too far apart"


def _weak_words(when: str, result: MistingResult) -> str:
    added = f"{result.response:.0f} %RH of water added"
    if result.response >= result.asked + result.uncertainty:
        return f"{when} weak: {added}, but humidity itself did not rise, as when wet ground warms without misting."
    return f"{when} weak: only {added}, a working cycle shows {result.asked:.0f} %RH."


def _decay_words(result: MistingResult) -> str:
    return "" if math.isnan(result.decay_minutes) else f", down to half after {result.decay_minutes:.0f} min more"


def told(result: MistingResult, around: Surroundings) -> MistingResult:
    """Return the result with its sentence."""
    when = _when(result.at_ms, around.zone)
    match result.verdict:
        case MistingVerdict.CONFIRMED:
            within = f"{result.response:.0f} %RH of water added within {result.rise_minutes:.0f} min"
            said = f"{when} confirmed: {within}{_decay_words(result)}."
        case MistingVerdict.WEAK:
            said = _weak_words(when, result)
        case MistingVerdict.NONE:
            added = f"{max(0.0, result.response):.0f} %RH of water added"
            said = f"{when} did not reach the air: {added}, a working cycle shows {around.asked:.0f} %RH."
        case MistingVerdict.SATURATED:
            said = f"{when} cannot be judged: {_no_room(result, around)}."
        case MistingVerdict.NO_DATA:
            said = f"{when} cannot be judged: {_no_data(result, around)}."
        case None:
            said = f"{when}: its {RESPONSE_MIN} min are not over yet."
    moving = " The temperature was moving; the verdict allows for it." if result.temperature_moving else ""
    return replace(result, sentence=said + moving)


def judge_cycles(
    air: ZoneAir,
    cycles: Sequence[Cycle],
    around: Surroundings,
    start_ms: int,
    end_ms: int,
    doubts: Mapping[int, str] | None = None,
) -> tuple[MistingResult, ...]:
    """Judge the cycles that start in [start_ms, end_ms) and not after now; the others only bound them [ms, UTC].

    `doubts` says, by a cycle's start, why the probes around it cannot be believed.
    """
    ordered = sorted(cycles, key=lambda c: c.at_ms)
    following = [*(c.at_ms for c in ordered[1:]), None][: len(ordered)]
    found: list[MistingResult] = []
    quiet_until, last_ms = 0, None
    for cycle, after in zip(ordered, following, strict=True):
        if last_ms is None or cycle.at_ms - last_ms >= NOISE_MIN * MINUTE_MS:
            quiet_until = cycle.at_ms
        last_ms = cycle.at_ms
        if not start_ms <= cycle.at_ms < end_ms or cycle.at_ms >= around.now_ms:
            continue
        wet_since = _wet_since(found, cycle.at_ms)
        doubt = (doubts or {}).get(cycle.at_ms, "")
        place = replace(around, next_ms=after, quiet_until_ms=quiet_until, wet_since_ms=wet_since, doubt=doubt)
        found.append(judge_cycle(air, cycle, place))
    return tuple(found)


def _wet_since(before: Sequence[MistingResult], at_ms: int) -> int | None:
    """Return when the cycle before started, if less than 30 min ago and it, or what it followed, wetted the air."""
    if not before or at_ms - before[-1].at_ms >= NOISE_MIN * MINUTE_MS:
        return None
    wetted = {MistingVerdict.CONFIRMED, MistingVerdict.WEAK, MistingVerdict.SATURATED}
    return before[-1].at_ms if before[-1].verdict in wetted else None


def unjudged(
    cycles: Sequence[Cycle], around: Surroundings, start_ms: int, end_ms: int, reason: str
) -> tuple[MistingResult, ...]:
    """Return the cycles of [start_ms, end_ms) in an enclosure whose air is not measured, with the reason [ms, UTC]."""
    return tuple(
        MistingResult(
            c.at_ms,
            c.basis,
            MistingVerdict.NO_DATA,
            complete=around.now_ms >= c.at_ms + RESPONSE_MIN * MINUTE_MS,
            sentence=f"{_when(c.at_ms, around.zone)} cannot be judged: {reason}.",
        )
        for c in sorted(cycles, key=lambda c: c.at_ms)
        if start_ms <= c.at_ms < end_ms and c.at_ms < around.now_ms
    )
