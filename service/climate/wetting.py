"""A day's water: what each misting cycle did, the spikes that no cycle explains, and the time that they take."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from service.climate.cycle_health import doubt_in_words
from service.climate.day_cycle import Span
from service.climate.day_view import DayView
from service.climate.misting import (
    MistingResult,
    MistingVerdict,
    Surroundings,
    asked_response,
    judge_cycles,
    unjudged,
)
from service.climate.series import Cover, cover
from service.climate.spikes import Spike, unscheduled_spikes
from service.climate.zone_air import ZoneAir, air_of


@dataclass(frozen=True, eq=False)
class Wetting:
    """What entered the air on a day.

    Parameters
    ----------
    air : ZoneAir or None
        None with the reason in `reason`.
    cycles : tuple of MistingResult
        Those that started in the local day.
    spikes : tuple of Spike
        Those that peaked in the local day and follow no cycle.
    later : tuple of (int, int)
        Spikes of the night that follows, which its humidity band leaves out too. [ms, UTC]
    known : Cover or None
        What is known of the local day so far.
    """

    air: ZoneAir | None
    reason: str
    cycles: tuple[MistingResult, ...]
    spikes: tuple[Spike, ...]
    later: tuple[Span, ...] = field(default=())
    known: Cover | None = None

    @property
    def spike_spans(self) -> list[Span]:
        """The times of all spikes [ms, UTC]."""
        of_cycles = [cycle.spike for cycle in self.cycles if cycle.spike is not None]
        return [*of_cycles, *((spike.foot_ms, spike.end_ms) for spike in self.spikes), *self.later]

    def count(self, verdict: MistingVerdict) -> int:
        """Return how many cycles have a verdict."""
        return sum(cycle.verdict is verdict for cycle in self.cycles)

    @property
    def possible(self) -> int:
        """How many weak cycles may, within U, have shown what is asked."""
        return sum(c.verdict is MistingVerdict.WEAK and c.may_reach for c in self.cycles)

    @property
    def undecided(self) -> int:
        """How many cycles cannot be judged: saturated, without data, or not over yet."""
        unknown = {MistingVerdict.SATURATED, MistingVerdict.NO_DATA, None}
        return sum(cycle.verdict in unknown for cycle in self.cycles)


def wetting_of(view: DayView) -> Wetting:
    """Judge the cycles of a local day and find its other spikes; both also for the night that follows it.

    The low end of the target of `misting-cycles`, where it has one, is the added humidity that makes a working cycle
    and a spike.
    """
    day = view.day
    zone = ZoneInfo(day.zone_name)
    lights_on = None if day.photoperiod.basis == "none" else day.photoperiod.on_ms
    around = Surroundings(day.now_ms, None, lights_on, zone, asked_response(day.targets))
    air = air_of(view)
    if isinstance(air, str):
        return Wetting(None, air, unjudged(day.cycles, around, day.start_ms, day.end_ms, air), ())
    last = max(day.end_ms, day.photoperiod.next_on_ms)
    doubts = {at: doubt_in_words(air.channels, found) for at, found in day.doubts.items()}
    judged = judge_cycles(air, day.cycles, around, day.start_ms, last, doubts)
    starts = [cycle.at_ms for cycle in day.cycles]
    found = unscheduled_spikes(air, starts, day.start_ms, last, day.now_ms, around.asked)
    return Wetting(
        air=air,
        reason="",
        cycles=tuple(c for c in judged if c.at_ms < day.end_ms),
        spikes=tuple(s for s in found if s.peak_ms < day.end_ms),
        later=_later(judged, found, day.end_ms),
        known=cover(air.series, view.reach((day.start_ms, day.end_ms)).spans),
    )


def _later(cycles: Sequence[MistingResult], spikes: Sequence[Spike], end_ms: int) -> tuple[Span, ...]:
    """Return the times of the spikes that come after the local day [ms, UTC]."""
    of_cycles = [c.spike for c in cycles if c.spike is not None and c.at_ms >= end_ms]
    return (*of_cycles, *((s.foot_ms, s.end_ms) for s in spikes if s.peak_ms >= end_ms))
