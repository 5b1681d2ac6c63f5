"""The two shapes that most checks have: a share of time within limits, and a percentile of time against limits."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from service.climate.day_cycle import Span
from service.climate.day_view import (
    Channel,
    CheckResult,
    DayView,
    Reach,
    limits_in_words,
    no_channel,
    not_begun,
    percent_beside,
    qualified,
    too_little,
)
from service.climate.ranges import MINUTE_MS
from service.climate.series import LEAST_COVERAGE, Cover
from service.climate.targets import Target
from service.climate.uncertainty import Verdict, judge, judge_share


@dataclass(frozen=True)
class Words:
    """How a check speaks.

    Parameters
    ----------
    subject : str
        Such as "Basking spot".
    statement : str
        What follows it, with `{value}` for the statistic.
    missing : str
        The reason when no channel fits.
    """

    subject: str
    statement: str
    missing: str
    extra: Mapping[str, float | str | bool] = field(default_factory=dict[str, float | str | bool])


def share_verdict(known: Cover, target: Target, uncertainty: float, reach: Reach) -> Verdict | None:
    """Judge a share of time within limits, three times taken: for certain, as read and at most.

    While the span runs the only verdict is NOT_MET: when even a remainder spent wholly within could not mend it.
    """
    asked = 1.0 if target.share is None else target.share
    at_most_ms = known.within_ms(target.low - uncertainty, target.high + uncertainty)
    if not reach.complete:
        best = (at_most_ms + reach.remaining_ms) / (known.covered_ms + reach.remaining_ms)
        return Verdict.NOT_MET if best < asked else None
    if known.coverage < LEAST_COVERAGE:
        return Verdict.NO_DATA
    certain = known.share_within(target.low + uncertainty, target.high - uncertainty)
    return judge_share(certain, at_most_ms / known.covered_ms, asked)


def check_share(
    view: DayView, check: str, target: Target, channel: Channel | None, spans: tuple[Span, ...], words: Words
) -> CheckResult:
    """Return the result of a check on the share of time within [low, high].

    Parameters
    ----------
    view : DayView
    check : str
    target : Target
        With its share filled in.
    channel : Channel or None
    spans : tuple of (int, int)
        Everything that the check looks at, passed or not. [ms, UTC]
    words : Words
    """
    whole = (spans[0][0], spans[-1][1]) if spans else (view.day.start_ms, view.day.start_ms)
    if channel is None:
        return no_channel(check, target, whole, words.subject, words.missing)
    reach = view.reach(*spans)
    known = view.cover(channel, reach.spans)
    verdict = share_verdict(known, target, channel.uncertainty, reach)
    share = known.share_within(target.low, target.high)
    asked = 1.0 if target.share is None else target.share
    statement = words.statement.format(value=percent_beside(share, asked))
    result = CheckResult(
        check=check,
        verdict=verdict,
        value=share,
        unit="1",
        target=target,
        uncertainty=channel.uncertainty,
        coverage=known.coverage,
        span=whole,
        zone=channel.zone,
        channels=(channel.key,),
        sentence=qualified(f"{words.subject} {statement}, target {100 * asked:.0f} %", verdict, reach.complete),
        complete=reach.complete,
        details={
            "share_certain": known.share_within(target.low + channel.uncertainty, target.high - channel.uncertainty),
            "share_at_most": known.share_within(target.low - channel.uncertainty, target.high + channel.uncertainty),
            "minutes_above": known.above_ms(target.high) / MINUTE_MS,
            "minutes_below": known.below_ms(target.low) / MINUTE_MS,
            **words.extra,
        },
    )
    if verdict is Verdict.NOT_MET and not reach.complete:
        return result
    if not reach.spans:
        return not_begun(result, words.subject)
    return too_little(result, words.subject, reach.complete) if known.coverage < LEAST_COVERAGE else result


def percentile_verdict(
    known: Cover, percent: float, target: Target, uncertainty: float, reach: Reach
) -> Verdict | None:
    """Judge a percentile of time against limits.

    While the span runs the only verdict is NOT_MET: when so much time lies beyond a limit and U already that the
    percentile cannot come back, whatever follows.
    """
    if reach.complete:
        enough = known.coverage >= LEAST_COVERAGE
        return judge(known.percentile(percent) if enough else math.nan, target, uncertainty)
    full = known.covered_ms + reach.remaining_ms
    too_high = known.above_ms(target.high + uncertainty) > (100 - percent) / 100 * full
    too_low = known.below_ms(target.low - uncertainty) > percent / 100 * full
    return Verdict.NOT_MET if too_high or too_low else None


def check_percentile(
    view: DayView,
    check: str,
    percent: float,
    target: Target,
    channel: Channel | None,
    span: Span,
    words: Words,
) -> CheckResult:
    """Return the result of a check on a temperature's percentile over a span.

    Parameters
    ----------
    view : DayView
    check : str
    percent : float
        0 to 100.
    target : Target
    channel : Channel or None
    span : (int, int)
        [ms, UTC]
    words : Words
    """
    if channel is None:
        return no_channel(check, target, span, words.subject, words.missing, unit="°C")
    reach = view.reach(span)
    known = view.cover(channel, reach.spans)
    verdict = percentile_verdict(known, percent, target, channel.uncertainty, reach)
    value = known.percentile(percent)
    statement = words.statement.format(value=f"{value:.1f} °C")
    limits = limits_in_words(target, 1, "°C")
    result = CheckResult(
        check=check,
        verdict=verdict,
        value=value,
        unit="°C",
        target=target,
        uncertainty=channel.uncertainty,
        coverage=known.coverage,
        span=span,
        zone=channel.zone,
        channels=(channel.key,),
        sentence=qualified(f"{words.subject} {statement}, target {limits}", verdict, reach.complete),
        complete=reach.complete,
        details={"percentile": percent, **words.extra},
    )
    if verdict is Verdict.NOT_MET and not reach.complete:
        return result
    if not reach.spans:
        return not_begun(result, words.subject)
    return too_little(result, words.subject, reach.complete) if known.coverage < LEAST_COVERAGE else result
