"""The misting cycles of an enclosure as far as they are known at an instant: scheduled, and as its pump ran."""

from collections.abc import Iterable, Sequence

from service.climate.day_view import Cycle
from service.climate.ranges import MINUTE_MS
from service.store.equipment_channels import SAME_CYCLE_MIN, cycles_due, is_pump, measured_cycles
from service.store.measured import Measured
from service.store.programme import Programme
from service.watch.moments import CYCLE_AFTER_MS, Moment, cycles_until

_NEAR_MS = SAME_CYCLE_MIN * MINUTE_MS


def pump_runs(measured: Sequence[Measured], start_ms: int, end_ms: int) -> list[Cycle]:
    """Return the cycles that an enclosure's pump channel saw begin in [start, end); a state says more than a current.

    Of several channels the one that stood there longest, as in the look-back. [ms since 1970, UTC]
    """
    pumps = [m for m in measured if is_pump(m.fact.quantity, m.channel.zone)]
    states = [m for m in pumps if m.fact.quantity == "switch"]

    def stood(one: Measured) -> int:
        return min(one.placement.end_ms, end_ms) - max(one.placement.start_ms, start_ms)

    pump = max(states or pumps, key=stood, default=None)
    return [] if pump is None else measured_cycles(pump.channel.series, pump.fact.quantity, start_ms, end_ms)


def runs_to_judge(ran: Iterable[Cycle], after_ms: int, until_ms: int) -> list[Moment]:
    """Return when the cycles that a pump ran are judged, in (after, until]. [ms since 1970, UTC]."""
    found = (Moment(cycle.at_ms + CYCLE_AFTER_MS, "cycle", cycle) for cycle in ran)
    return [moment for moment in found if after_ms < moment.at_ms <= until_ms]


def stands_for(cycle: Cycle, ran: Sequence[Cycle]) -> bool:
    """Whether the pump ran for a scheduled cycle, so that it is judged by what was measured."""
    return any(abs(one.at_ms - cycle.at_ms) <= _NEAR_MS for one in ran)


def known_cycles(programme: Programme, ran: Sequence[Cycle], now_ms: int) -> tuple[Cycle, ...]:
    """Return the cycles of yesterday and today that were due or ran, as far as they have started by an instant."""
    return cycles_due(cycles_until(programme, now_ms), [cycle for cycle in ran if cycle.at_ms <= now_ms])


def scheduled_for(programme: Programme, cycle: Cycle) -> int | None:
    """Return when a cycle was due; None for one that no schedule knows. [ms since 1970, UTC]."""
    due = [planned.at_ms for planned in cycles_until(programme, cycle.at_ms + _NEAR_MS)]
    near = [at for at in due if abs(at - cycle.at_ms) <= _NEAR_MS]
    return min(near, key=lambda at: abs(at - cycle.at_ms), default=None)
