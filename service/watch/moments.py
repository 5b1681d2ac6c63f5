"""When an enclosure is looked at as a whole: fixed by its programme and the clock, alike live and in replay."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from service.climate.day_view import Cycle
from service.store.programme import Programme

MINUTE_MS: Final = 60_000
HUMIDITY_EVERY_MS: Final = 10 * MINUTE_MS
HEALTH_EVERY_MS: Final = 60 * MINUTE_MS
CYCLE_AFTER_MS: Final = 25 * MINUTE_MS
"""A cycle is judged this long after its start. Common practice, no source. [ms]"""

Kind = Literal["cycle", "humidity", "health", "end of dark"]


@dataclass(frozen=True, slots=True)
class Moment:
    """An instant at which something is judged."""

    at_ms: int
    kind: Kind
    cycle: Cycle | None = None


def moments(programme: Programme, after_ms: int, until_ms: int) -> list[Moment]:
    """Return the moments in (after_ms, until_ms], in order of time. [ms since 1970, UTC]."""
    found = [*_every(HUMIDITY_EVERY_MS, "humidity", after_ms, until_ms)]
    found += _every(HEALTH_EVERY_MS, "health", after_ms, until_ms)
    found += (moment for moment in _of_days(programme, after_ms, until_ms) if after_ms < moment.at_ms <= until_ms)
    return sorted(found, key=lambda moment: (moment.at_ms, moment.kind))


def _every(step_ms: int, kind: Kind, after_ms: int, until_ms: int) -> Iterator[Moment]:
    for at_ms in range((after_ms // step_ms + 1) * step_ms, until_ms + 1, step_ms):
        yield Moment(at_ms, kind)


def _of_days(programme: Programme, after_ms: int, until_ms: int) -> Iterator[Moment]:
    """Yield what the days from the one before the span to its last bring."""
    day = programme.day_of(after_ms - CYCLE_AFTER_MS)
    while day.start_ms <= until_ms:
        for cycle in day.cycles:
            yield Moment(cycle.at_ms + CYCLE_AFTER_MS, "cycle", cycle)
        if day.photoperiod.basis != "none":
            yield Moment(day.photoperiod.on_ms, "end of dark")
        day = programme.day_of(day.end_ms)


def cycles_until(programme: Programme, now_ms: int) -> list[Cycle]:
    """Return the cycles due yesterday and today that have started by an instant. [ms since 1970, UTC]."""
    today = programme.day_of(now_ms)
    yesterday = programme.day_of(today.start_ms - 1)
    return [cycle for cycle in (*yesterday.cycles, *today.cycles) if cycle.at_ms <= now_ms]
