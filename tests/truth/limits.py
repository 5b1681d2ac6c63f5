"""Temperatures, humidity and light beyond their limits: what was so, whatever the probes say."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np

from service.climate.targets import Target
from service.store.programme import Programme
from tests.truth.past import HOUR, MINUTE, Bools, Floats, Past, Sensor
from tests.truth.tally import Alarm, Score, moment

_THERMOMETERS: Final = ("surface_temperature", "air_temperature")
_JOIN_MS: Final = 30 * MINUTE
_LONGEST_SPIKE_MS: Final = 3 * HOUR
_LIT_LUX: Final = 100.0
_METER_SHARE: Final = 0.06  # A light meter is off by a share; a little more than the simulator gives it.


@dataclass(frozen=True, slots=True)
class Rule:
    """A live condition as the agreement states it, written down a second time.

    Attributes
    ----------
    series : str
        Of `Past`: where it is true.
    end, offset : str, float
        Which end of the check's target, and what is added to it.
    on_ms : int
        [ms]
    """

    condition: str
    series: str
    zone: str
    quantities: tuple[str, ...]
    check: str
    end: str
    on_ms: int
    offset: float = 0.0
    span: str = "any"
    looks_every_ms: int = 0

    @property
    def sign(self) -> float:
        return 1.0 if self.end == "high" else -1.0


RULES: Final = (
    Rule("basking-overheat", "basking", "basking", _THERMOMETERS, "hot-spot-peak", "high", MINUTE),
    Rule("basking-cold", "basking", "basking", _THERMOMETERS, "hot-spot", "low", 30 * MINUTE, -2.0, "day"),
    Rule("retreat-hot", "cool", "cool-end", _THERMOMETERS, "cool-retreat", "high", 15 * MINUTE),
    Rule("night-cold", "ambient", "ambient", _THERMOMETERS, "night-floor", "low", 15 * MINUTE, 0.0, "night"),
    Rule("night-hot", "ambient", "ambient", _THERMOMETERS, "night-ceiling", "high", 15 * MINUTE, 0.0, "night"),
    Rule("heat-at-night", "basking", "basking", _THERMOMETERS, "night-ceiling", "high", 20 * MINUTE, 5.0, "night"),
    Rule("too-dry", "humidity", "ambient", ("relative_humidity",), "humidity-alarm", "low", HOUR, 0.0, "any",
         10 * MINUTE),
    Rule("too-wet", "humidity", "ambient", ("relative_humidity",), "humidity-alarm", "high", 3 * HOUR, 0.0, "any",
         10 * MINUTE),
)  # fmt: skip


def runs(mask: Bools) -> list[tuple[int, int]]:
    """Return [first, after last) of each run of true."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def limit_over_time(past: Past, programme: Programme, rule: Rule) -> Floats:
    """Return the limit at each step, NaN where nothing sets one."""
    limit = np.full(past.at.size, np.nan)
    for day in past.dates:
        start, end = past.instant(day, "00:00"), past.instant(day, "23:59") + MINUTE
        target: Target | None = programme.day(day).targets.get(rule.check)
        if target is not None:
            limit[past.part(start, end)] = getattr(target, rule.end) + rule.offset
    return np.where(np.isfinite(limit), limit, np.nan)


def _in_force(past: Past, rule: Rule) -> Bools:
    if rule.span == "any":
        return np.ones(past.at.size, dtype=np.bool_)
    return past.planned(HOUR, 2 * HOUR, night=rule.span == "night")


def _fault_stands(past: Past, start_ms: int, end_ms: int) -> bool:
    return any(f.start_ms < end_ms and f.end_ms + 2 * HOUR > start_ms for f in past.faults)


def _episodes(past: Past, sure: Bools, least_ms: int) -> Iterator[tuple[int, int]]:
    """Yield the times of runs that last, near ones joined. [ms UTC]."""
    found: list[list[int]] = []
    for first, after in runs(sure):
        start, end = int(past.at[first]), int(past.at[after - 1])
        if end - start < least_ms:
            continue
        if found and start - found[-1][1] < _JOIN_MS:
            found[-1][1] = end
        else:
            found.append([start, end])
    yield from ((start, end) for start, end in found)


def _crossed(past: Past, beyond: Bools, start_ms: int) -> int:
    """Return since when the true value has been beyond the limit itself. [ms UTC]."""
    index = int(np.searchsorted(past.at, start_ms))
    within = np.flatnonzero(~beyond[: index + 1])
    return int(past.at[within[-1] + 1]) if len(within) else int(past.at[0])


def _outside_spikes(past: Past, rule: Rule) -> Bools:
    """Leave out the longest time that a misting may keep the humidity bands open."""
    quiet = np.ones(past.at.size, dtype=np.bool_)
    if rule.series == "humidity":
        for cycle in past.cycles:
            quiet[past.part(cycle.at_ms, cycle.at_ms + _LONGEST_SPIKE_MS)] = False
    return quiet


def score_limit(past: Past, programme: Programme, rule: Rule, alarms: Sequence[Alarm], score: Score) -> None:
    """Hold the alarms of one condition in one enclosure against the truth."""
    sensor = past.sensor(rule.zone, *rule.quantities)
    if sensor is None:
        return
    tally = score.of(rule.condition)
    beyond = rule.sign * (getattr(past, rule.series) - limit_over_time(past, programme, rule))
    in_force = _in_force(past, rule)
    over = in_force & (beyond > 0)
    seen = over & (beyond > sensor.reach) & sensor.watched(past.at) & _outside_spikes(past, rule)
    least = rule.on_ms + sensor.slack_ms + 2 * rule.looks_every_ms
    for start, end in _episodes(past, seen, least):
        told = f"{past.enclosure.id} by {np.nanmax(beyond[past.part(start, end + 1)]):.1f}"
        of_fault = _fault_stands(past, start, end)
        tally.expect(alarms, (start, end + sensor.slack_ms), _crossed(past, over, start), told, of_fault)
    for alarm in alarms:
        most = _most_beyond(past, beyond, sensor, alarm)
        _sort(alarm, sensor, most > 0, most > -sensor.reach, f"by {most:.1f}", score)


def _most_beyond(past: Past, beyond: Floats, sensor: Sensor, alarm: Alarm) -> float:
    window = beyond[past.part(alarm.began_ms - sensor.slack_ms, alarm.raised_ms + 1)]
    return float(np.nanmax(window)) if np.any(~np.isnan(window)) else -np.inf


def _sort(alarm: Alarm, sensor: Sensor, true: bool, near: bool, told: str, score: Score) -> None:
    """Count an alarm, and where it has no cause in the truth, tell it."""
    tally = score.of(alarm.condition)
    tally.raised += 1
    told = f"{alarm.enclosure} at {moment(alarm.raised_ms)} {told}"
    if true:
        return
    if sensor.lies(alarm.began_ms - sensor.slack_ms, alarm.raised_ms + 1):
        tally.lying.append(told)
    else:
        (tally.near if near else tally.false).append(told)


def score_heading(past: Past, programme: Programme, alarms: Sequence[Alarm], score: Score) -> None:
    """A forecast of overheating is false when nothing was broken and the ceiling was not met within 20 min.

    Nothing is asked of it but not to cry wolf: what it foretells is another condition's to catch.
    """
    sensor = past.sensor("basking", *_THERMOMETERS)
    if sensor is None:
        return
    beyond = past.basking - limit_over_time(past, programme, RULES[0])
    score.of("basking-heading-over")
    for alarm in alarms:
        window = beyond[past.part(alarm.raised_ms, alarm.raised_ms + 20 * MINUTE)]
        most = float(np.nanmax(window)) if window.size else -np.inf
        broken = _fault_stands(past, alarm.raised_ms - HOUR, alarm.raised_ms)
        _sort(alarm, sensor, most > 0 or broken, most > -sensor.reach, f"by {most:.1f}", score)


def score_lights(past: Past, alarms: Mapping[str, Sequence[Alarm]], score: Score) -> None:
    """Lamps that are dark when planned lit, or lit when planned dark, where there is a light meter."""
    sensor = past.sensor("canopy", "illuminance")
    if sensor is None:
        return
    planned = past.planned(0, 0, night=False)
    for condition, wrong, visible in (
        ("lights-late", planned & ~past.lit, past.lux * (1 + _METER_SHARE) < _LIT_LUX),
        ("lights-stuck-on", ~planned & past.lit, past.lux * (1 - _METER_SHARE) > _LIT_LUX),
    ):
        own, tally = alarms.get(condition, ()), score.of(condition)
        seen = wrong & visible & sensor.watched(past.at)
        for start, end in _episodes(past, seen, 20 * MINUTE + sensor.slack_ms):
            of_fault = _fault_stands(past, start, end)
            span = (start, end + sensor.slack_ms)
            tally.expect(own, span, _crossed(past, wrong, start), past.enclosure.id, of_fault)
        for alarm in own:
            window = wrong[past.part(alarm.began_ms - sensor.slack_ms, alarm.raised_ms + 1)]
            _sort(alarm, sensor, bool(window.any()), False, _clock(past, alarm), score)


def _clock(past: Past, alarm: Alarm) -> str:
    local = datetime.fromtimestamp(alarm.raised_ms / 1000, UTC).astimezone(past.zone)
    return f"({local:%H:%M} local, lights {past.enclosure.lights_on} to {past.enclosure.lights_off})"
