"""What an enclosure's local day rests on, as far as the facts say it: all but the readings."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from service.climate.day_cycle import LightSchedule, Span
from service.climate.day_view import Cycle
from service.climate.lamp_light import LEVEL_DAYS
from service.climate.ranges import DAY_MS, HOUR_MS
from service.climate.targets import Target
from service.store.equipment_channels import is_lamp
from service.store.facts import ChannelFact, EnclosureFact, PlacementFact, RoomFacts
from service.store.programme import DayProgramme, Programme
from service.store.traceability import ChannelErrors, errors_within, lines_within

LEAD_MS: Final = 3 * HOUR_MS
"""How far before its day an assessment looks: baselines, and a rise over midnight [ms]."""
TAIL_MS: Final = 3 * HOUR_MS
"""How far beyond the next lights on: a spike that began before may last so long [ms]."""
STANDING_MS: Final = DAY_MS
"""The reading that stands when the lead begins is not older than this [ms]."""
LIGHT_LOOK_BACK_MS: Final = (LEVEL_DAYS + 1) * DAY_MS
"""How bright a place is while its lamps burn follows from this long before the day [ms]."""
SOAK_LOOK_BACK_MS: Final = 8 * DAY_MS
"""Whether a humidity element is soaked follows from this long before the day (common practice, no source) [ms]."""
HUMIDITY: Final = "relative_humidity"
_LOOK_BACK_MS: Final = {HUMIDITY: SOAK_LOOK_BACK_MS, "illuminance": LIGHT_LOOK_BACK_MS}


@dataclass(frozen=True)
class Placed:
    """A channel in a zone, for the part of a day's reach in which it stood there.

    Attributes
    ----------
    fact : ChannelFact
    zone : str
    start_ms, end_ms : int
        [start_ms, end_ms), within the reach of the day. [ms since 1970, UTC]
    since_ms : int
        When it came there, at the earliest `STANDING_MS` before the reach. [ms since 1970, UTC]
    placed_ms : int
        The same, at the earliest as long ago as its readings matter. [ms since 1970, UTC]
    errors : ChannelErrors
        Over the day and the night that follows.
    """

    fact: ChannelFact
    zone: str
    start_ms: int
    end_ms: int
    since_ms: int
    placed_ms: int
    errors: ChannelErrors

    @property
    def read_from_ms(self) -> int:
        """The earliest reading of the channel that a day can depend on, were its reach to begin here."""
        return self.start_ms - _LOOK_BACK_MS.get(self.fact.quantity, STANDING_MS)


@dataclass(frozen=True)
class DayPlan:
    """A local day as the facts have it.

    Attributes
    ----------
    day : date
    timezone : str
    start_ms, end_ms : int
        The local day. [ms since 1970, UTC]
    first_ms, last_ms : int
        What an assessment can depend on at most; soaking looks back further. [ms since 1970, UTC]
    schedule : LightSchedule or None
    lit : tuple of (int, int)
        When the lights were to burn, of this day and those before it that tell how bright they are. [ms, UTC]
    targets : mapping of check id to Target
    cycles : tuple of Cycle
        The misting cycles scheduled within the reach.
    placed : tuple of Placed
    """

    day: date
    timezone: str
    start_ms: int
    end_ms: int
    first_ms: int
    last_ms: int
    schedule: LightSchedule | None
    lit: tuple[Span, ...]
    targets: Mapping[str, Target]
    cycles: tuple[Cycle, ...]
    placed: tuple[Placed, ...]

    def told(self) -> str:
        """Return everything in it that an assessment depends on, as one text: equal plans give equal texts."""
        placed = [
            (
                p.fact.key, p.fact.model, p.fact.quantity, p.fact.declared_cadence_ms, p.zone, p.start_ms, p.end_ms,
                p.since_ms, p.placed_ms, p.errors, lines_within(p.fact, p.read_from_ms, p.end_ms),
            )
            for p in self.placed
        ]  # fmt: skip
        head = (self.day.isoformat(), self.timezone, self.start_ms, self.end_ms, self.schedule, self.lit)
        return repr((head, sorted(self.targets.items()), self.cycles, placed))


def shows_light(quantity: str, zone: str) -> bool:
    """Say whether a channel there can tell when the lights were on."""
    return (quantity == "illuminance" and zone != "outside") or is_lamp(quantity, zone)


def plan_day(facts: RoomFacts, enclosure: EnclosureFact, programme: Programme, day: date) -> DayPlan:
    """Return what an enclosure's local day rests on.

    Parameters
    ----------
    facts : RoomFacts
    enclosure : EnclosureFact
        In use or retired.
    programme : Programme
        Of that enclosure; hand the same one over for all days.
    day : date
        Local.
    """
    planned = programme.day(day)
    start, end = planned.start_ms, planned.end_ms
    first, night_end = start - LEAD_MS, max(end, planned.photoperiod.next_on_ms)
    furthest = end + DAY_MS + TAIL_MS
    near = [p for p in enclosure.placements if p.meets(first, furthest)]
    # Where the lights are measured, when they come on again is known only then.
    measured = any(shows_light(facts.channels[p.channel_id].quantity, p.zone) for p in near)
    last = furthest if measured else night_end + TAIL_MS
    placed = [_placed(facts, p, first, last, (start, night_end)) for p in near if p.meets(first, last)]
    # The order in which facts were entered must not show.
    placed.sort(key=lambda p: (p.fact.key, p.start_ms, p.zone))
    around = (programme.day(day - timedelta(days=1)), planned, programme.day(day + timedelta(days=1)))
    cycles = tuple(c for one in around for c in one.cycles if first <= c.at_ms < last)
    return DayPlan(
        day, facts.timezone, start, end, first, last,
        programme.light_schedule(day), _lit(programme, planned), planned.targets, cycles, tuple(placed),
    )  # fmt: skip


def _lit(programme: Programme, planned: DayProgramme) -> tuple[Span, ...]:
    """Return the planned lit times of a day and of those that tell how bright its lamps are."""
    off = planned.photoperiod.off_ms
    before = programme.planned_lit(planned.start_ms - LEVEL_DAYS * DAY_MS, off)
    return tuple(span for span in before if off - LEVEL_DAYS * DAY_MS <= span[1] <= off)


def _placed(facts: RoomFacts, placement: PlacementFact, first_ms: int, last_ms: int, judged: tuple[int, int]) -> Placed:
    """Return a placement within a reach; `judged` is the day with its night, over which the errors count."""
    channel = facts.channels[placement.channel_id]
    start, end = max(first_ms, placement.start_ms), min(last_ms, placement.end_ms)
    from_ms, to_ms = max(judged[0], start), min(judged[1], end)
    if from_ms >= to_ms:
        # It stood there in the lead or the tail alone, and is judged by neither.
        from_ms, to_ms = start, end
    since = max(first_ms - STANDING_MS, placement.start_ms)
    placed = max(first_ms - _LOOK_BACK_MS.get(channel.quantity, STANDING_MS), placement.start_ms)
    return Placed(channel, placement.zone, start, end, since, placed, errors_within(channel, from_ms, to_ms))
