"""Whether a cycle put water into the air, and whether the misting is weakening."""

import math
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

from service.climate.cycle_health import HEALTH_LOOKS_BACK_MS, doubt_in_words, doubts_at
from service.climate.day_view import Cycle
from service.climate.misting import RESPONSE_MIN, MistingResult, MistingVerdict, Surroundings, judge_cycles
from service.climate.misting_noise import NOISE_MIN
from service.climate.misting_trend import EARLIER_CYCLES, RECENT_CYCLES, weakening_of
from service.climate.ranges import MINUTE_MS
from service.store.equipment_channels import SAME_CYCLE_MIN
from service.store.facts import EnclosureFact
from service.store.measured import Measured, part_of
from service.watch.conditions import MISTING_MISSED, MISTING_WEAKENING
from service.watch.enclosure_air import air_between
from service.watch.findings import Finding

_BEFORE_MS: Final = 40 * 60_000
_KEPT: Final = RECENT_CYCLES + EARLIER_CYCLES
_DAY_MIN: Final = 24 * 60
_JUDGED: Final = (MistingVerdict.CONFIRMED, MistingVerdict.WEAK, MistingVerdict.NONE)

Responses = dict[str, list[tuple[int, str, float]]]
"""By the cycle's time of day: start, verdict and response of the last judged cycles."""


def look_at_cycle(
    enclosure: EnclosureFact,
    measured: Sequence[Measured],
    cycles: Sequence[Cycle],
    now_ms: int,
    zone: ZoneInfo,
    asked: float,
    responses: Responses,
    due_ms: int | None,
) -> Iterator[Finding]:
    """Judge the last of `cycles` against the response that is asked for [%RH]; what it showed joins `responses`.

    `due_ms` is when it was due, by which it is compared with those of other days; None for a pump that ran outside its
    schedule. [ms since 1970, UTC]

    Those that came shortly before it are judged with it, as in the assessment of a day: air that they wetted takes up
    little more, and says nothing against the pump.
    """
    run = _run_up_to_last(cycles)
    cycle = run[-1]
    found = air_between(measured, run[0].at_ms - _BEFORE_MS, now_ms + 1)
    if found is None:
        return
    air, humidity = found
    around = Surroundings(now_ms, None, None, zone, asked)
    doubts = {one.at_ms: _doubt(measured, one, air.channels, now_ms) for one in run}
    result = judge_cycles(air, run, around, run[0].at_ms, cycle.at_ms + 1, doubts)[-1]
    place = f"{enclosure.key}/{air.zone}"
    missed = result.verdict is MistingVerdict.NONE
    holds = missed if result.verdict in _JUDGED else None
    channel_id = humidity.fact.id
    value = max(0.0, result.response) if holds is not None else None
    yield Finding(
        MISTING_MISSED, place, air.zone, channel_id, holds, cycle.at_ms, value, result.asked, "%RH", result.sentence
    )
    if result.verdict in _JUDGED:
        time_of_day = _clock(due_ms, zone) if due_ms is not None else _near_clock(result.at_ms, zone, responses)
        kept = responses.setdefault(time_of_day, [])
        yield _trend(f"{place}/{time_of_day}", air.zone, channel_id, result, kept)


def _doubt(measured: Sequence[Measured], cycle: Cycle, keys: Sequence[str], now_ms: int) -> str:
    """Return why the probes around a cycle cannot be believed, as probe health says at the end of its window."""
    at = cycle.at_ms + RESPONSE_MIN * MINUTE_MS
    if at > now_ms:
        return ""
    channels = [part_of(m, at - HEALTH_LOOKS_BACK_MS, at + 1).channel for m in measured]
    return doubt_in_words(keys, doubts_at(channels, at, keys))


def _clock(at_ms: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone):%H:%M}"


def _near_clock(at_ms: int, zone: ZoneInfo, known: Responses) -> str:
    """Name a run's time of day by those known already: a timer that is not on time to the minute keeps its group."""
    exact = _clock(at_ms, zone)

    def apart(name: str) -> int:
        (hours, minutes), (hour, minute) = (map(int, clock.split(":")) for clock in (name, exact))
        by = abs(hours * 60 + minutes - hour * 60 - minute)
        return min(by, _DAY_MIN - by)

    return min((name for name in sorted(known) if apart(name) < SAME_CYCLE_MIN), key=apart, default=exact)


def _run_up_to_last(cycles: Sequence[Cycle]) -> list[Cycle]:
    """Return the last cycle and those before it, as long as each follows the one before within the noise's 30 min."""
    ordered = sorted(cycles, key=lambda cycle: cycle.at_ms)
    run = ordered[-1:]
    for before in reversed(ordered[:-1]):
        if run[0].at_ms - before.at_ms >= NOISE_MIN * MINUTE_MS:
            break
        run.insert(0, before)
    return run


def _trend(
    place: str, zone: str, channel_id: int, result: MistingResult, kept: list[tuple[int, str, float]]
) -> Finding:
    kept.append((result.at_ms, str(result.verdict), result.response))
    del kept[:-_KEPT]
    past = [MistingResult(at, "schedule", MistingVerdict(verdict), response) for at, verdict, response in kept]
    trend = weakening_of(past)
    known = not math.isnan(trend.ratio)
    return Finding(
        MISTING_WEAKENING, place, zone, channel_id, trend.weakening if known else None, result.at_ms,
        trend.recent if known else None, trend.earlier if known else None, "%RH", trend.sentence,
    )  # fmt: skip
