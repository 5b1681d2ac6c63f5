"""Misting cycles against the water that the simulated air really took up, and the verdicts that this allows."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np
from scipy.ndimage import minimum_filter1d

from sensors.catalogue import repeat_uncertainty
from sensors.simulator import MistCycle
from tests.truth.limits import runs
from tests.truth.past import MINUTE, Floats, Past, Sensor
from tests.truth.tally import Alarm, Score, moment

ASKED: Final = 10.0
"""Added humidity that a working cycle shows, as agreed. [%RH]"""
_LEAST_NOISE: Final = 2.0
_NORMAL_FLOW: Final = 0.8
_BEFORE, _AFTER, _QUIET = 10 * MINUTE, 20 * MINUTE, 30 * MINUTE
_STEEPEST: Final = 6.2  # Relative humidity falls by no more than this share of it for each degree. [%/°C]
_CALM: Final = 1.0  # A response that is truly no more than this is nothing. [%RH]


@dataclass(frozen=True, slots=True)
class Watered:
    """What a cycle truly did.

    Attributes
    ----------
    response : float
        Greatest true added humidity within 20 min. [%RH]
    least, most : float
        Between which a healthy probe of this kind may measure it: what lasted for its lag and cadence, less the
        same-channel error; and the greatest, with it. [%RH]
    allows : frozenset of str
        The verdicts that are right.
    sprayed : bool
        Whether any water came from a nozzle.
    lying : bool
        Whether a fault made one of the probes say what is not so.
    """

    cycle: MistCycle
    response: float
    least: float
    most: float
    allows: frozenset[str]
    sprayed: bool
    lying: bool


def _added(past: Past, part: slice, baseline: float) -> Floats:
    """Return the true points of humidity beyond what the water of before would show, shape (steps,). [%RH]."""
    humidity, vapour = past.humidity[part].astype(np.float64), past.vapour[part].astype(np.float64)
    return humidity - np.minimum(100.0, humidity * baseline / vapour)


def _expected(past: Past, part: slice, baseline: float) -> Floats:
    return np.minimum(100.0, past.humidity[part] * baseline / past.vapour[part])


def watered(past: Past, cycle: MistCycle, air: tuple[Sensor, Sensor]) -> Watered | None:
    """Return what a cycle truly did; None when the past does not hold its surroundings."""
    start = cycle.at_ms
    before, after = past.part(start - _BEFORE, start), past.part(start + 1, start + _AFTER + 1)
    if start - 2 * _QUIET < past.at[0] or start + 2 * _AFTER > past.at[-1]:
        return None
    humid, warm = air
    baseline = float(np.median(past.vapour[before]))
    added = _added(past, after, baseline)
    lasting = (3 * max(humid.lag_ms, warm.lag_ms) + 2 * humid.cadence_ms) // past.step_ms
    held = minimum_filter1d(added, min(len(added), int(lasting) + 1), origin=0)
    expected = float(np.median(_expected(past, after, baseline)))
    slope = _STEEPEST / 100.0 * expected
    u = math.hypot(repeat_uncertainty(humid.element), slope * repeat_uncertainty(warm.element))
    moving = np.abs(np.gradient(past.ambient[slice(before.start, after.stop)])) / past.step_ms
    error = u + slope * float(moving.max()) * max(humid.lag_ms, warm.lag_ms)
    span = (start - _QUIET - humid.slack_ms, start + 25 * MINUTE)
    lying = humid.lies(*span) or warm.lies(*span)
    # What such a probe shows while it stands still proves nothing, and it is right to say so.
    dumb = any(
        f.kind in {"stuck-probe", "wet-probe"} and f.start_ms < start + _AFTER and f.end_ms > start - _BEFORE
        for f in (*humid.faults, *warm.faults)
    )
    sprayed = [c for c in past.cycles if start <= c.at_ms < start + _AFTER and c.delivered_grams > 0]
    response = float(added.max())
    reach = float(held.max()) - error, response + error
    allows = _allowed(past, cycle, air, bool(sprayed), response, reach, u, expected)
    allows |= {"no data"} if dumb else set()
    return Watered(cycle, response, *reach, allows, bool(sprayed), lying)


def _allowed(
    past: Past,
    cycle: MistCycle,
    air: tuple[Sensor, Sensor],
    sprayed: bool,
    response: float,
    reach: tuple[float, float],
    u: float,
    expected: float,
) -> frozenset[str]:
    """Return the verdicts that the truth allows; more than one where it lies within a probe's error of a border."""
    start, humid = cycle.at_ms, air[0]
    before, after = past.part(start - _BEFORE, start), past.part(start + 1, start + _AFTER + 1)
    allows: set[str] = set()
    humidity = float(np.median(past.humidity[before]))
    rise = float(past.humidity[after].max()) - humidity
    worked = cycle.delivered_grams >= _NORMAL_FLOW * cycle.due_grams and response >= ASKED
    if sprayed and response >= ASKED:
        allows.add("confirmed")
    if (reach[0] < ASKED + u and reach[1] > _LEAST_NOISE) or rise <= _LEAST_NOISE + repeat_uncertainty(humid.element):
        allows.add("weak")
    if reach[0] <= _noise(past, start, air) and not worked:
        allows.add("none")
    if min(100 - humidity, 100 - expected) - humid.reach < ASKED + u or _just_before(past, start):
        allows.add("saturated")
    if not _is_covered(air, start):
        allows.add("no data")
    return frozenset(allows)


def _noise(past: Past, start: int, air: tuple[Sensor, Sensor]) -> float:
    """Return how much a probe of this kind may have to see before it is no noise. [%RH]."""
    part = past.part(start - _QUIET, start)
    quiet = _added(past, part, float(np.median(past.vapour[past.part(start - _BEFORE, start)])))
    true = 1.4826 * float(np.median(np.abs(quiet - np.median(quiet))))
    own = [s.element.resolution if s.element.repeatability is None else s.element.repeatability for s in air]
    return max(_LEAST_NOISE, 3 * math.hypot(true, own[0], _STEEPEST * own[1]))


def _just_before(past: Past, start: int) -> bool:
    return any(start - _QUIET < c.at_ms < start for c in past.cycles)


def _is_covered(air: tuple[Sensor, Sensor], start: int) -> bool:
    """Say whether the probes sent enough around a cycle: over 0.75 of the time, and two readings after."""
    steps = np.arange(start - _BEFORE, start + _AFTER, 5_000, dtype=np.int64)
    for sensor in air:
        heard = np.searchsorted(sensor.sent[sensor.measured], (start - _BEFORE, start, start + _AFTER))
        if sensor.stands(steps).mean() < 0.78 or heard[2] - heard[1] < 2 or heard[1] == heard[0]:
            return False
    return True


def air_of(past: Past) -> tuple[Sensor, Sensor] | None:
    humid, warm = past.sensor("ambient", "relative_humidity"), past.sensor("ambient", "air_temperature")
    return (humid, warm) if humid is not None and warm is not None else None


def score_misting(past: Past, verdicts: Mapping[int, str], score: Score) -> list[Watered]:
    """Hold the verdicts, by the cycle's start, against what the cycles truly did, and return that."""
    air = air_of(past)
    if air is None:
        return []
    known = [w for w in (watered(past, cycle, air) for cycle in past.cycles) if w is not None]
    for true in known:
        verdict = verdicts.get(true.cycle.at_ms)
        if verdict is None:
            continue
        pump = "sprayed" if true.sprayed else "dead"
        good = verdict in true.allows
        score.misting["lying" if true.lying else "healthy", pump, verdict, good] += 1
        if _is_plain(true):
            score.plain[verdict] += 1
        if not good and not true.lying:
            score.wrong.append(
                f"{past.enclosure.id} {moment(true.cycle.at_ms)} {verdict}, true response {true.response:.1f} "
                f"[{true.least:.1f}, {true.most:.1f}], {pump}, allows {sorted(true.allows)}"
            )
    return known


def _is_plain(true: Watered) -> bool:
    """Say whether a cycle plainly put nothing into air that had room."""
    no_excuse = not {"saturated", "no data"} & true.allows
    return not true.sprayed and true.response <= _CALM and no_excuse and not true.lying


def score_missed(past: Past, known: Sequence[Watered], alarms: Sequence[Alarm], score: Score) -> None:
    """A dead pump in air that had room and took up nothing is to be called; a cycle that worked is not."""
    tally = score.of("misting-missed")
    by_start = {true.cycle.at_ms: true for true in known}
    for fault in past.faults:
        dry = [t.cycle.at_ms for t in known if fault.start_ms <= t.cycle.at_ms < fault.end_ms and _is_plain(t)]
        if fault.kind == "dead-pump" and dry:
            span = (dry[0] + 25 * MINUTE, dry[-1] + 26 * MINUTE)
            tally.expect(alarms, span, dry[0], f"{past.enclosure.id}, {len(dry)} cycles", True)
    for alarm in alarms:
        tally.raised += 1
        true = by_start.get(alarm.raised_ms - 25 * MINUTE)
        if true is None or "none" in true.allows:
            continue
        told = f"{past.enclosure.id} {moment(alarm.raised_ms)} true response {true.response:.1f}"
        (tally.lying if true.lying else tally.false).append(told)


def score_weakening(past: Past, known: Sequence[Watered], alarms: Sequence[Alarm], score: Score) -> None:
    """True responses of one time of day: the last 5 against up to 28 before, as agreed, with room either way."""
    tally = score.of("misting-weakening")
    tally.raised += len(alarms)
    for clock, cycles in _by_clock(past, known).items():
        own = [a for a in alarms if a.place.endswith(clock)]
        ratios = _ratios([w.response for w in cycles])
        for first, after in runs(ratios < 0.5):
            if after - first < 2:
                continue
            at = [w.cycle.at_ms for w in cycles[first:after]]
            since = min((f.start_ms for f in past.faults if f.start_ms < at[-1]), default=at[0])
            span = (at[0], at[-1] + 26 * MINUTE)
            told = f"{past.enclosure.id} {clock} ratio {ratios[first:after].min():.2f}"
            tally.expect(own, span, since, told, bool(past.faults))
        for alarm in own:
            at = np.array([w.cycle.at_ms for w in cycles])
            near = ratios[(at <= alarm.raised_ms) & (at > alarm.raised_ms - 3 * 86_400_000)]
            least = float(np.nanmin(near)) if np.any(~np.isnan(near)) else math.nan
            if not least < 0.6:
                told = f"{past.enclosure.id} {clock} {moment(alarm.raised_ms)} true ratio {least:.2f}"
                (tally.near if least < 0.7 else tally.false).append(told)


def _by_clock(past: Past, known: Sequence[Watered]) -> dict[str, list[Watered]]:
    found: dict[str, list[Watered]] = {}
    for true in known:
        if not true.lying and not {"saturated", "no data"} & true.allows:
            local = datetime.fromtimestamp(true.cycle.at_ms / 1000, UTC).astimezone(past.zone)
            found.setdefault(f"{local:%H:%M}", []).append(true)
    return found


def _ratios(responses: Sequence[float]) -> Floats:
    ratios = np.full(len(responses), np.nan)
    for last in range(10, len(responses) + 1):
        earlier = float(np.median(responses[max(0, last - 33) : last - 5]))
        if earlier > 0:
            ratios[last - 1] = float(np.median(responses[last - 5 : last])) / earlier
    return ratios
