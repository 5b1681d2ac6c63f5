"""Probes that are silent, stuck, wet or drifting: what can be known of it from the enclosure's other probes."""

import math
from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Final

import numpy as np

from sensors.catalogue import expanded_uncertainty
from sensors.simulator import Fault
from tests.truth.past import DAY, HOUR, MINUTE, Floats, Past, Sensor
from tests.truth.tally import Alarm, Score, moment

_CLIMATE: Final = ("air_temperature", "surface_temperature", "relative_humidity")
_LOOKS_EVERY: Final = HOUR
_STUCK, _WET = 3 * HOUR, 6 * HOUR
_SERIES: Final = {"basking": "basking", "cool-end": "cool", "ambient": "ambient"}


def _true(past: Past, sensor: Sensor) -> Floats:
    return past.humidity if sensor.quantity == "relative_humidity" else getattr(past, _SERIES[sensor.zone])


def _climate(past: Past) -> list[Sensor]:
    return [s for s in past.sensors if s.quantity in _CLIMATE]


def _span(past: Past, fault: Fault, after: int) -> tuple[int, int] | None:
    """Return when an alarm must stand for a fault; None when it is too short."""
    start, end = fault.start_ms + after, min(fault.end_ms, int(past.at[-1]))
    return (start, end) if end > start else None


def score_probes(past: Past, alarms: Mapping[str, Sequence[Alarm]], score: Score) -> None:
    """Hold all probe conditions of an enclosure against its probes' faults."""
    _silent(past, alarms.get("probe-silent", ()), score)
    _stuck(past, alarms.get("probe-stuck", ()), score)
    _wet(past, alarms.get("probe-saturated", ()), score)
    _disagreeing(past, alarms.get("probe-disagrees", ()), score)
    _impossible(past, alarms.get("probe-impossible", ()), score)


def _impossible(past: Past, alarms: Sequence[Alarm], score: Score) -> None:
    """A value that the element cannot have measured is seen at the next full hour, for an hour."""
    tally = score.of("probe-impossible")
    tally.raised += len(alarms)
    for sensor in _climate(past):
        own = [a for a in alarms if a.place == f"{sensor.probe.id}/{sensor.quantity}"]
        struck = sensor.glitched[sensor.glitched < past.at[-1] - _LOOKS_EVERY - 5 * MINUTE]
        if struck.size:
            first, last = int(struck[0]), int(struck[-1])
            of_fault = any(f.kind == "glitching-probe" for f in sensor.faults)
            tally.expect(own, (first, last + _LOOKS_EVERY), first, sensor.probe.id, of_fault)
        for alarm in own:
            before = (sensor.glitched > alarm.raised_ms - _LOOKS_EVERY) & (sensor.glitched <= alarm.raised_ms)
            if not before.any():
                tally.false.append(f"{alarm.place} at {moment(alarm.raised_ms)}")


def _silent(past: Past, alarms: Sequence[Alarm], score: Score) -> None:
    tally = score.of("probe-silent")
    probes = {s.probe.id: s for s in past.sensors}
    for name, sensor in probes.items():
        own = [a for a in alarms if a.probe == name]
        after = max(3 * sensor.cadence_ms, 10 * MINUTE)
        for fault in sensor.faults:
            late = after + sensor.cadence_ms + int(sensor.probe.jitter * 1000)
            span = _span(past, fault, late) if fault.kind == "silent-probe" else None
            if span is not None:
                tally.expect(own, span, fault.start_ms, name, True)
        gaps = np.diff(sensor.sent) >= after
        for alarm in own:
            tally.raised += 1
            index = int(np.searchsorted(sensor.sent, alarm.raised_ms)) - 1
            if not (0 <= index < len(gaps) and gaps[index]) and index != len(sensor.sent) - 1:
                tally.false.append(f"{name} at {moment(alarm.raised_ms)}")


def _moves(past: Past, sensor: Sensor, start: int, end: int) -> float:
    value = _true(past, sensor)[past.part(start, end)]
    return float(value.max() - value.min()) if value.size else 0.0


def _stuck(past: Past, alarms: Sequence[Alarm], score: Score) -> None:
    tally = score.of("probe-stuck")
    sensors = _climate(past)
    for name in sorted({s.probe.id for s in sensors}):
        mine = [s for s in sensors if s.probe.id == name]
        others = [s for s in sensors if s.probe.id != name and not s.faults]
        own = [a for a in alarms if a.probe == name]
        for fault in mine[0].faults:
            if fault.kind != "stuck-probe":
                continue
            late = _STUCK + _LOOKS_EVERY + mine[0].slack_ms
            span = _span(past, fault, late)
            beside = [s for s in others if _moves(past, s, fault.start_ms, fault.start_ms + _STUCK) > _sure_of(s)]
            if span is not None and beside:
                tally.expect(own, span, fault.start_ms, name, True)
        for alarm in own:
            tally.raised += 1
            if not any(f.kind in {"stuck-probe", "wet-probe"} and _meets(f, alarm, 13 * HOUR) for f in mine[0].faults):
                tally.false.append(f"{alarm.place} at {moment(alarm.raised_ms)}")


def _sure_of(sensor: Sensor) -> float:
    """Return how far a channel must truly move for its readings to move by more than 5 of its resolutions."""
    return 6 * sensor.element.resolution + 0.5


def _meets(fault: Fault, alarm: Alarm, back_ms: int) -> bool:
    return fault.start_ms <= alarm.raised_ms and fault.end_ms >= alarm.raised_ms - back_ms


def _wet(past: Past, alarms: Sequence[Alarm], score: Score) -> None:
    tally = score.of("probe-saturated")
    sensor = past.sensor("ambient", "relative_humidity")
    if sensor is None:
        return
    for fault in sensor.faults:
        span = _span(past, fault, _WET + _LOOKS_EVERY + sensor.slack_ms) if fault.kind == "wet-probe" else None
        # The look reaches 13 h back: temperature must move within the hours that count, before the wet ends.
        moved = span is not None and _moves(past, past.sensors[0], fault.start_ms, fault.start_ms + _WET) > 3.0
        if span is not None and moved:
            tally.expect(alarms, span, fault.start_ms, sensor.probe.id, True)
    for alarm in alarms:
        tally.raised += 1
        window = past.humidity[past.part(alarm.raised_ms - _WET, alarm.raised_ms)]
        wet = any(
            f.kind in {"wet-probe", "stuck-probe", "drifting-probe"} and _meets(f, alarm, HOUR) for f in sensor.faults
        )
        truly = window.size and float(np.median(window)) > 99.5 - sensor.reach
        if not wet and not truly:
            tally.false.append(f"{alarm.place} at {moment(alarm.raised_ms)}")


def _drift(sensor: Sensor, at_ms: int) -> float:
    return sum(
        (at_ms - f.start_ms) / DAY * f.severity
        for f in sensor.faults
        if f.kind == "drifting-probe" and f.start_ms <= at_ms < f.end_ms
    )


def _disagreeing(past: Past, alarms: Sequence[Alarm], score: Score) -> None:
    """Two air thermometers at the end of the dark, three nights running beyond what both errors allow."""
    tally = score.of("probe-disagrees")
    pair = [s for s in past.sensors if s.quantity == "air_temperature"]
    mornings = [on for on, _ in past.lights if past.at[0] + HOUR < on < past.at[-1]]
    for one, other in combinations(pair, 2):
        joint = math.hypot(expanded_uncertainty(one.element), expanded_uncertainty(other.element))
        differs = [_difference(past, one, other, on) for on in mornings]
        seen = [abs(d) > joint + one.reach + other.reach for d in differs]
        broken = [f for s in (one, other) for f in s.faults if f.kind == "drifting-probe"]
        held = any(f.kind in {"stuck-probe", "silent-probe"} for s in (one, other) for f in s.faults)
        third = next((n for n in range(2, len(seen)) if all(seen[n - 2 : n + 1])), None)
        if third is not None and broken and not held:
            last = max(n for n in range(third, len(seen)) if all(seen[third : n + 1]))
            span = (mornings[third], mornings[last] + MINUTE)
            tally.expect(alarms, span, broken[0].start_ms, f"{one.probe.id} and {other.probe.id}", True)
        for alarm in alarms:
            tally.raised += 1
            if not any(_meets(f, alarm, DAY) for s in (one, other) for f in s.faults):
                tally.false.append(f"{alarm.place} at {moment(alarm.raised_ms)}")


def _difference(past: Past, one: Sensor, other: Sensor, on: int) -> float:
    part = past.part(on - 30 * MINUTE, on)
    true = float(np.median(_true(past, one)[part] - _true(past, other)[part]))
    return true + _drift(one, on) - _drift(other, on)
