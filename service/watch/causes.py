"""Likely causes of an alarm, from what the other channels of its enclosure say at that moment."""

from collections.abc import Sequence
from typing import Final

from sqlmodel import Session

from service.climate.day_cycle import lit_at
from service.climate.day_view import AMBIENT
from service.climate.likely_causes import TREND_MIN, cause_of_cooling, cause_of_overheating
from service.climate.ranges import MINUTE_MS
from service.climate.series import Series
from service.model import Flag
from service.store.facts import RoomFacts
from service.store.measured import Measured, measured_in
from service.store.programme import Programme
from service.watch.channel_watch import AlarmRaised

_TOO_HOT: Final = frozenset({"basking-overheat", "basking-heading-over"})
_TOO_COLD: Final = frozenset({"basking-cold"})
_LOOKS_BACK_MS: Final = (TREND_MIN + 15) * MINUTE_MS


def likely_cause(session: Session, facts: RoomFacts, event: AlarmRaised) -> str | None:
    """Return a sentence for an alarm of a basking spot, None when the other channels say nothing clear."""
    key = event.condition.key
    enclosure = facts.enclosures.get(event.enclosure_id or 0)
    if enclosure is None or key not in _TOO_HOT | _TOO_COLD:
        return event.cause
    measured = measured_in(session, facts, enclosure, event.at_ms - _LOOKS_BACK_MS, event.at_ms + 1, Flag(0))
    ambient = _ambient(measured)
    if key in _TOO_HOT:
        return cause_of_overheating(ambient, event.at_ms) or None
    basking = next((m.channel.series for m in measured if m.fact.id == event.channel_id), None)
    if basking is None:
        return None
    photoperiods = Programme(facts, enclosure).photoperiods_around(event.at_ms)
    return cause_of_cooling(basking, ambient, event.at_ms, bool(lit_at(event.at_ms, photoperiods))) or None


def _ambient(measured: Sequence[Measured]) -> Series | None:
    """Return the air temperature that stands for the enclosure as a whole, where it is measured."""
    for zone in AMBIENT:
        for one in measured:
            if one.channel.zone == zone and one.channel.quantity == "air_temperature" and one.channel.series.at.size:
                return one.channel.series
    return None
