"""What a span came to, in sentences: what was outside the profile, for how long, how certain, and what is not known."""

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

from service.climate.assessment import CHECKS
from service.climate.misting import MistingResult, MistingVerdict
from service.climate.misting_trend import by_time_of_day, weakening_of
from service.climate.ranges import MINUTE_MS
from service.climate.uncertainty import Verdict, worst
from service.lookback.bodies import Body
from service.lookback.words import (
    channel_words,
    check_name,
    condition_words,
    counted,
    dates_words,
    day_words,
    lasting,
    listed,
    ms_of,
    span_words,
    times_words,
)

_THIN: Final = "readings cover"
_MOST_GAPS: Final = 5
_SAME_GAPS: Final = 3
"""So many channels with the same gap are told in one sentence."""


def summary_of(report: Body) -> Body:
    """Return the verdict of a span and the sentences that say what it came to.

    Parameters
    ----------
    report : Body
        A look-back with everything but its summary and fingerprint.
    """
    sentences = [sentence for part in summary_parts(report).values() for sentence in part]
    return {"verdict": worst_of(report["days"]), "sentences": sentences}


def worst_of(days: Sequence[Body]) -> str | None:
    """Return the worst verdict of several days; None where none has one yet."""
    given = [Verdict(day["verdict"]) for day in days if day["verdict"] is not None]
    return worst(given) if given else None


def summary_parts(report: Body) -> dict[str, list[str]]:
    """Return the sentences of a span by what they are about, in the order in which they are told."""
    days = report["days"]
    checks = _sorted(days)
    return {
        "whole": list(_whole(days)),
        "outside": [*_not_met(checks), *_borderline(checks)],
        "misting": list(_misting(report)),
        "alarms": list(_alarms(report["alarms"])),
        "unknown": [*_unknown(checks), *_gaps(report["gaps"])],
    }


def never_known(days: Sequence[Body]) -> frozenset[str]:
    """Return the checks that have no verdict on any of several days: what an enclosure does not measure."""
    asked, unknown = Counter[str](), Counter[str]()
    for day in days:
        asked.update(result["check"] for result in day["checks"])
        unknown.update(result["check"] for result in day["checks"] if result["verdict"] == Verdict.NO_DATA.value)
    if len(days) == 1:
        return frozenset()
    return frozenset(check for check, number in unknown.items() if number == asked[check])


def verdict_but_for(day: Body, left_out: frozenset[str]) -> str | None:
    """Return a day's verdict as it is without some checks."""
    if day["verdict"] != Verdict.NO_DATA.value:
        return day["verdict"]
    given = [Verdict(r["verdict"]) for r in day["checks"] if r["verdict"] and r["check"] not in left_out]
    return worst(given).value


def _whole(days: Sequence[Body]) -> Iterator[str]:
    if not days:
        yield "Nothing of this span has passed yet."
        return
    dates = [date.fromisoformat(day["date"]) for day in days]
    never = never_known(days)
    verdicts = Counter(verdict_but_for(day, never) for day in days)
    parts = [
        f"{counted(verdicts[verdict], 'day')} {said}"
        for verdict, said in (
            (Verdict.MET.value, "met every target" + (" that is measured here" if never else "")),
            (Verdict.NOT_MET.value, "missed at least one target"),
            (Verdict.BORDERLINE.value, "came too close to a limit to tell"),
            (Verdict.NO_DATA.value, "cannot be told in full"),
            (None, "not over yet"),
        )
        if verdicts[verdict]
    ]
    yield f"{span_words(dates[0], dates[-1])}: {listed(parts)}."
    if not any(day["checks"] for day in days):
        yield "No profile asked for anything, so nothing was held against a target."


Found = list[tuple[date, Body]]


def _sorted(days: Sequence[Body]) -> dict[str, Found]:
    """Return the results of each check with their days, in the order in which checks are told."""
    found: dict[str, Found] = {check: [] for check in CHECKS}
    for day in days:
        on = date.fromisoformat(day["date"])
        for result in day["checks"]:
            found.setdefault(result["check"], []).append((on, result))
    return {check: results for check, results in found.items() if results}


def _with(results: Found, verdict: Verdict) -> Found:
    return [(day, result) for day, result in results if result["verdict"] == verdict.value]


def _miss(result: Body) -> float:
    """Return by how much a result misses its target, to find the worst of several."""
    value, target = result["value"], result["target"]
    if value is None:
        return 0.0
    if result["unit"] == "1":
        return (1.0 if target["share"] is None else target["share"]) - value
    low, high = target["low"], target["high"]
    return max(-math.inf if low is None else low - value, -math.inf if high is None else value - high)


def _not_met(checks: Mapping[str, Found]) -> Iterator[str]:
    for check, results in checks.items():
        found = _with(results, Verdict.NOT_MET)
        if not found:
            continue
        when = dates_words([day for day, _ in found])
        said = f"{check_name(check)}: target missed on {len(found)} of {counted(len(results), 'day')} ({when})"
        beyond = [
            f"{lasting(total * MINUTE_MS)} {side}"
            for side in ("above", "below")
            if (total := sum(result["details"].get(f"minutes_{side}") or 0 for _, result in found)) >= 1
        ]
        outside = f", in all {listed(beyond)} its limits" if beyond else ""
        day, worst_of = max(found, key=lambda pair: _miss(pair[1]))
        detail = worst_of["sentence"] if len(found) == 1 else f"Worst on {day_words(day)}: {worst_of['sentence']}"
        yield f"{said}{outside}, for certain beyond what the probes may be off by. {detail}"


def _borderline(checks: Mapping[str, Found]) -> Iterator[str]:
    for check, results in checks.items():
        if found := _with(results, Verdict.BORDERLINE):
            when = dates_words([day for day, _ in found])
            yield (
                f"{check_name(check)}: too close to the limit to tell on {counted(len(found), 'day')} ({when}), "
                "within what the probes may be off by."
            )


def _misting(report: Body) -> Iterator[str]:
    cycles: Sequence[Body] = report["misting"]
    if cycles:
        verdicts = Counter(cycle["verdict"] for cycle in cycles)
        parts = [
            f"{verdicts[verdict]} {said}"
            for verdict, said in (
                (MistingVerdict.CONFIRMED.value, "put water into the air"),
                (MistingVerdict.WEAK.value, "put in less than a working cycle does"),
                (MistingVerdict.NONE.value, "did not reach the air"),
                (MistingVerdict.SATURATED.value, "cannot be judged because the air was too wet already"),
                (MistingVerdict.NO_DATA.value, "cannot be judged for want of readings"),
                (None, "not over yet"),
            )
            if verdicts[verdict]
        ]
        yield f"Of {counted(len(cycles), 'misting cycle')}, {listed(parts)}."
        yield from _weakening(cycles, ZoneInfo(report["time_zone"]))
    unscheduled = sum(day["spikes"]["unscheduled"] for day in report["days"])
    if unscheduled:
        yield (
            f"The air was wetted {times_words(unscheduled)} besides, by hand or through an open door: no cycle was due."
        )


def _weakening(cycles: Sequence[Body], zone: ZoneInfo) -> Iterator[str]:
    results = [
        MistingResult(
            ms_of(cycle["at"]),
            cycle["basis"],
            None if cycle["verdict"] is None else MistingVerdict(cycle["verdict"]),
            response=math.nan if cycle["response"] is None else cycle["response"],
        )
        for cycle in cycles
    ]
    for group in by_time_of_day(results, zone):
        trend = weakening_of(group)
        if trend.weakening:
            yield f"The misting near {_clock(group[-1].at_ms, zone)} is weakening. {trend.sentence}"


def _clock(at_ms: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(at_ms / 1000, zone):%H:%M}"


def _alarms(alarms: Sequence[Body]) -> Iterator[str]:
    if not alarms:
        yield "No alarm stood."
        return
    kinds = Counter(alarm["condition"] for alarm in alarms)
    said = listed(f"{condition_words(kind)} {times_words(number)}" for kind, number in kinds.most_common())
    open_ones = sum(alarm["returned_at"] is None for alarm in alarms)
    still = f" {counted(open_ones, 'of them still stands', 'of them still stand')}." if open_ones else ""
    yield f"{counted(len(alarms), 'alarm')}: {said}.{still}"


def _reason(result: Body) -> str:
    reason = str(result["details"].get("reason") or "")
    if reason.startswith(_THIN):
        return "readings cover too little of the time"
    return reason or "some of what it counts cannot be judged"


def _unknown(checks: Mapping[str, Found]) -> Iterator[str]:
    """Yield what is not known, the checks that share their reason and their days in one sentence."""
    alike: dict[tuple[str, str], list[str]] = {}
    for check, results in checks.items():
        by_reason: dict[str, list[date]] = {}
        for day, result in _with(results, Verdict.NO_DATA):
            by_reason.setdefault(_reason(result), []).append(day)
        for reason, days in sorted(by_reason.items(), key=lambda item: -len(item[1])):
            always = len(days) == len(results) and len(results) > 1
            when = "on any day" if always else f"on {counted(len(days), 'day')} ({dates_words(days)})"
            alike.setdefault((when, reason), []).append(check_name(check))
    for (when, reason), names in alike.items():
        yield f"{listed([names[0], *(name.lower() for name in names[1:])])}: not known {when}: {reason}."


def _gaps(gaps: Iterable[Body]) -> Iterator[str]:
    totals: Counter[tuple[str, str, str]] = Counter()
    for gap in gaps:
        totals[(gap["channel"], gap["zone"], gap["reason"])] += ms_of(gap["to"]) - ms_of(gap["from"])
    ordered = sorted(totals.items(), key=lambda item: (-item[1], item[0]))
    alike: dict[tuple[int, str], list[tuple[str, str]]] = {}
    for (channel, zone, reason), total in ordered:
        alike.setdefault((total // MINUTE_MS, reason), []).append((channel, zone))
    told = 0
    for (minutes, reason), channels in alike.items():
        if told >= _MOST_GAPS:
            break
        told += len(channels)
        length = lasting(minutes * MINUTE_MS)
        if len(channels) < _SAME_GAPS:
            for channel, zone in channels:
                words = channel_words(channel, zone)
                yield f"{words[0].upper()}{words[1:]}: {length} without a reading that can be judged; {reason}."
        else:
            probes = listed(sorted({channel.rpartition("/")[0] for channel, _ in channels}))
            yield f"{len(channels)} channels (probes {probes}): {length} each without a reading to judge; {reason}."
    if len(ordered) > told:
        yield f"{counted(len(ordered) - told, 'more channel')} had shorter gaps."
