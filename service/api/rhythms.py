"""What changes slowly and costs time to find: each enclosure's day, night and targets, and each channel's cadence."""

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from typing import Final, Literal

from sqlmodel import Session

from service.climate.day_cycle import Photoperiod, day_span, night_span
from service.climate.misting import LONGEST_SPIKE_MIN
from service.climate.ranges import MINUTE_MS
from service.climate.series import cadence_of
from service.climate.targets import Target
from service.model import to_ms
from service.store.facts import ChannelFact, EnclosureFact, RoomFacts
from service.store.programme import Programme, photoperiods, targets_at
from service.store.readings import recent_times

PartOfDay = Literal["day", "night", "between"]

_LIGHT_KEPT_MS: Final = 5 * MINUTE_MS
_TARGETS_KEPT_MS: Final = MINUTE_MS
_CADENCE_KEPT_MS: Final = 10 * MINUTE_MS
_SPREAD: Final = 997
_SHOWS_LIGHT: Final = frozenset({"illuminance", "power"})


class Rhythms:
    """Photoperiods, kept for the day or, where light is measured, for five minutes; targets for one; cadences for ten.

    Any thread may ask: the worst is that two work the same out. What is kept comes due at another time for each
    enclosure and channel, so that no request pays for all of them.
    """

    def __init__(self) -> None:
        self._periods: dict[int, tuple[tuple[int, date, int], list[Photoperiod]]] = {}
        self._cycles: dict[int, tuple[tuple[int, date], tuple[int, ...]]] = {}
        self._cadences: dict[int, tuple[int, int]] = {}
        self._targets: dict[int, tuple[tuple[int, int], Mapping[str, Target]]] = {}

    def photoperiods(
        self, session: Session, facts: RoomFacts, enclosure: EnclosureFact, now: datetime
    ) -> list[Photoperiod]:
        """Return the photoperiods that begin on the site's local yesterday and today."""
        today = now.astimezone(facts.zone).date()
        measured = any(
            facts.channels[placement.channel_id].quantity in _SHOWS_LIGHT for placement in enclosure.placements
        )
        # A schedule says the same all day; measured light may yet show when the lights went on.
        turn = (to_ms(now) - enclosure.id * _SPREAD) // _LIGHT_KEPT_MS if measured else 0
        term = (facts.version, today, turn)
        known = self._periods.get(enclosure.id)
        if known is None or known[0] != term:
            known = (term, photoperiods(session, facts, enclosure, today - timedelta(days=1), today))
            self._periods[enclosure.id] = known
        return known[1]

    def targets(self, facts: RoomFacts, enclosure: EnclosureFact, now_ms: int) -> Mapping[str, Target]:
        """Return the targets of an enclosure, as of the last minute."""
        term = (facts.version, (now_ms - enclosure.id * _SPREAD) // _TARGETS_KEPT_MS)
        known = self._targets.get(enclosure.id)
        if known is None or known[0] != term:
            known = self._targets[enclosure.id] = (term, targets_at(facts, enclosure, now_ms))
        return known[1]

    def is_wetted(self, facts: RoomFacts, enclosure: EnclosureFact, now: datetime) -> bool:
        """Say whether a misting cycle was due so shortly before that its spike may last still.

        Humidity above its band is then what misting is for; the bands count only the time outside spikes.
        """
        today = now.astimezone(facts.zone).date()
        term = (facts.version, today)
        known = self._cycles.get(enclosure.id)
        if known is None or known[0] != term:
            programme = Programme(facts, enclosure)
            days = (programme.day(today - timedelta(days=1)), programme.day(today))
            known = self._cycles[enclosure.id] = (term, tuple(cycle.at_ms for day in days for cycle in day.cycles))
        now_ms = to_ms(now)
        return any(0 <= now_ms - at_ms < LONGEST_SPIKE_MIN * MINUTE_MS for at_ms in known[1])

    def cadence_ms(self, session: Session, channel: ChannelFact, now_ms: int) -> int:
        """Return a channel's cadence: declared, or the median spacing of its last 200 readings [ms]."""
        if channel.declared_cadence_ms is not None:
            return channel.declared_cadence_ms
        term = (now_ms - channel.id * _SPREAD) // _CADENCE_KEPT_MS
        known = self._cadences.get(channel.id)
        if known is None or known[0] != term:
            known = self._cadences[channel.id] = (term, cadence_of(recent_times(session, channel.id)))
        return known[1]


def part_of_day(periods: list[Photoperiod], at_ms: int) -> PartOfDay:
    """Return "day" or "night" when that instant lies in such a span, else "between": warm-up or settling."""
    for period in periods:
        day, night = day_span(period), night_span(period)
        if day[0] <= at_ms < day[1]:
            return "day"
        if night[0] <= at_ms < night[1]:
            return "night"
    return "between"
