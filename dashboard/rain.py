"""What became of today's misting cycles: judged by the same check as everywhere, and remembered."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from sqlmodel import Session

from dashboard.day import RainMark
from service.api.zone_values import uncertainty_at
from service.climate.day_cycle import Photoperiod
from service.climate.day_view import Cycle
from service.climate.misting import MistingResult, Surroundings, judge_cycle
from service.climate.ranges import MINUTE_MS
from service.climate.series import Series, cadence_of
from service.climate.uncertainty import same_channel_difference
from service.climate.zone_air import HUMIDITY_ZONES, ZoneAir, zone_air
from service.model import Flag
from service.store.facts import ChannelFact, EnclosureFact, RoomFacts
from service.store.history import corrected
from service.store.readings import read_readings

_BEFORE_MS: Final = 45 * MINUTE_MS
_AFTER_MS: Final = 25 * MINUTE_MS
"""What the verdict of a cycle looks at, with room for a reading that stands at its edge."""
_SETTLED_MS: Final = 30 * MINUTE_MS
_RUNNING_MS: Final = MINUTE_MS
_UNFIT: Final = int(Flag.unfit())


@dataclass(frozen=True, slots=True)
class _Known:
    mark: RainMark
    version: int
    until_ms: int


class TodaysRain:
    """Judges the cycles of today, each again only when its readings may have changed."""

    def __init__(self) -> None:
        self._known: dict[tuple[int, int], _Known] = {}
        self._day_ms = 0

    def marks(
        self,
        session: Session,
        facts: RoomFacts,
        enclosure: EnclosureFact,
        cycles: Sequence[Cycle],
        periods: Sequence[Photoperiod],
        now_ms: int,
    ) -> tuple[RainMark, ...]:
        """Return a mark for each cycle of the day: ``due`` while it lies ahead.

        Parameters
        ----------
        session : Session
            Of `Store.read`.
        facts, enclosure : RoomFacts, EnclosureFact
        cycles : sequence of Cycle
            Of today, in order.
        periods : sequence of Photoperiod
            Those of today and yesterday.
        now_ms : int
            [ms, UTC]
        """
        marks: list[RainMark] = []
        for number, cycle in enumerate(cycles):
            if cycle.at_ms >= now_ms:
                marks.append(RainMark(cycle.at_ms))
                continue
            key = (enclosure.id, cycle.at_ms)
            known = self._known.get(key)
            if known is None or known.version != facts.version or now_ms >= known.until_ms:
                following = cycles[number + 1].at_ms if number + 1 < len(cycles) else None
                around = Surroundings(now_ms, following, _lights_on(periods, cycle.at_ms), facts.zone)
                known = self._judge(session, facts, enclosure, cycle, around)
                self._known[key] = known
            marks.append(known.mark)
        return tuple(marks)

    def begin(self, day_ms: int) -> None:
        """Forget other days than the one that begins then [ms, UTC]."""
        if day_ms != self._day_ms:
            self._day_ms, self._known = day_ms, {}

    def _judge(
        self, session: Session, facts: RoomFacts, enclosure: EnclosureFact, cycle: Cycle, around: Surroundings
    ) -> _Known:
        air = _air(session, facts, enclosure, cycle.at_ms)
        if air is None:
            return _Known(RainMark(cycle.at_ms, "no data"), facts.version, around.now_ms + _SETTLED_MS)
        result = judge_cycle(air, cycle, around)
        # A spread, so that no page judges all of them at once.
        lasts = _SETTLED_MS + enclosure.id % 60 * _RUNNING_MS // 2 if result.complete else _RUNNING_MS
        return _Known(_mark(result), facts.version, around.now_ms + lasts)


def judged_cycles(
    session: Session,
    facts: RoomFacts,
    enclosure: EnclosureFact,
    cycles: Sequence[Cycle],
    periods: Sequence[Photoperiod],
    now_ms: int,
) -> list[MistingResult]:
    """Return what became of each cycle that has begun and whose air is measured; remembers nothing."""
    results: list[MistingResult] = []
    for number, cycle in enumerate(cycles):
        air = _air(session, facts, enclosure, cycle.at_ms) if cycle.at_ms < now_ms else None
        if air is not None:
            following = cycles[number + 1].at_ms if number + 1 < len(cycles) else None
            around = Surroundings(now_ms, following, _lights_on(periods, cycle.at_ms), facts.zone)
            results.append(judge_cycle(air, cycle, around))
    return results


def _mark(result: MistingResult) -> RainMark:
    verdict = "running" if result.verdict is None else str(result.verdict)
    return RainMark(result.at_ms, verdict, result.response)


def _lights_on(periods: Sequence[Photoperiod], at_ms: int) -> int | None:
    """Return when the lights last went on before an instant."""
    return max((p.on_ms for p in periods if p.basis != "none" and p.on_ms <= at_ms), default=None)


def _air(session: Session, facts: RoomFacts, enclosure: EnclosureFact, at_ms: int) -> ZoneAir | None:
    """Return the air around a cycle, in the first zone that has humidity and air temperature."""
    placed = {
        (placement.zone, facts.channels[placement.channel_id].quantity): facts.channels[placement.channel_id]
        for placement in enclosure.placements
        if placement.holds_at(at_ms)
    }
    for zone in HUMIDITY_ZONES:
        wet, warm = placed.get((zone, "relative_humidity")), placed.get((zone, "air_temperature"))
        if wet is not None and warm is not None:
            # An unknown probe model says nothing of its errors; its readings are still shown for what they say.
            wet_u, warm_u = (float(np.nan_to_num(uncertainty_at(channel, at_ms))) for channel in (wet, warm))
            return zone_air(
                _series(session, wet, at_ms),
                _series(session, warm, at_ms),
                wet_u,
                same_channel_difference(wet_u),
                same_channel_difference(warm_u),
            )
    return None


def _series(session: Session, channel: ChannelFact, at_ms: int) -> Series:
    readings = corrected(channel, read_readings(session, channel.id, at_ms - _BEFORE_MS, at_ms + _AFTER_MS))
    value = np.where(readings.flags & _UNFIT, np.nan, readings.value)
    return Series(readings.at, value, channel.declared_cadence_ms or cadence_of(readings.at))
