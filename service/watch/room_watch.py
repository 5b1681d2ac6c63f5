"""Rooms, gateways and racks under watch: when most channels fall silent together, that is one alarm, not sixty.

A fold over the silences that the channels' watches find, in order of time: live, after a restart and in replay
it decides alike.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final

from service.climate.ranges import MINUTE_MS
from service.store.facts import RoomFact, RoomFacts
from service.watch.channel_watch import AlarmEvent, AlarmRaised, AlarmReturned
from service.watch.conditions import GATEWAY_CUT, PROBE_SILENT, ROOM_BLACKOUT, Condition
from service.watch.supplies import LEAST_PROBES, ROOM, Supplies, Supply

# All of these: common practice, no source.
SHARE: Final = 0.6
"""Of the channels that spoke before."""
WITHIN_MS: Final = 5 * MINUTE_MS
ON_DELAY_MS: Final = 2 * MINUTE_MS


@dataclass(slots=True)
class _Group:
    """What is remembered of a room, gateway or rack: who is silent since when, whether its alarm is near or stands."""

    silent: dict[int, int] = field(default_factory=dict)
    candidate_ms: int | None = None
    raised_ms: int | None = None


class RoomWatch:
    """Watches for the blackouts of every room, and for gateways and racks that are cut off.

    Parameters
    ----------
    facts : RoomFacts
    memory : dict, optional
        From `remembered`.
    """

    def __init__(self, facts: RoomFacts, memory: dict[str, Any] | None = None) -> None:
        self._facts = facts
        self._supplies = Supplies(facts)
        self._groups = {
            # Before gateways were watched, rooms were remembered by their keys alone.
            key if "/" in key else f"{ROOM}{key}": _Group(
                {int(channel): since for channel, since in kept["silent"].items()}, kept["near"], kept["raised"]
            )
            for key, kept in (memory or {}).items()
        }

    def remembered(self) -> dict[str, Any]:
        """Return what to keep for a restart, as JSON values."""
        return {
            place: {"silent": dict(group.silent), "near": group.candidate_ms, "raised": group.raised_ms}
            for place, group in self._groups.items()
        }

    def take(self, events: Iterable[AlarmEvent], until_ms: int) -> list[AlarmEvent]:
        """Carry the watch over silences that began and ended, in order of time, and on to an instant. [ms, UTC]."""
        found: list[AlarmEvent] = []
        silences = (e for e in events if e.condition is PROBE_SILENT and e.channel_id is not None)
        for event in sorted(silences, key=lambda event: event.at_ms):
            found += self._pass_time(event.at_ms)
            found += self._begins(event) if isinstance(event, AlarmRaised) else self._ends(event)
        return found + self._pass_time(until_ms) + self._gone(until_ms)

    def _gone(self, at_ms: int) -> list[AlarmEvent]:
        """End the alarms of gateways and racks that are no more: nobody would ever be heard there again."""
        gone = [place for place in self._groups if place not in self._supplies.known]
        ended = [(place, raised) for place in gone if (raised := self._groups.pop(place).raised_ms) is not None]
        return [AlarmReturned(_condition(place), place, at, at_ms, None, "no longer watched") for place, at in ended]

    def _begins(self, event: AlarmRaised) -> list[AlarmEvent]:
        channel, at = event.channel_id or 0, event.at_ms
        for place in self._supplies.of(channel, at):
            group = self._groups.setdefault(place, _Group())
            group.silent[channel] = at
            if group.candidate_ms is None and group.raised_ms is None and self._most_fell_silent(place, group, at):
                group.candidate_ms = at
        return []

    def _ends(self, event: AlarmReturned) -> list[AlarmEvent]:
        """Take a channel out of all that it fell silent with: it may have been moved since."""
        found: list[AlarmEvent] = []
        channel, at = event.channel_id or 0, event.at_ms
        for place, group in self._groups.items():
            if group.silent.pop(channel, None) is None or self._is_mostly_silent(place, group, at):
                continue
            group.candidate_ms = None
            if group.raised_ms is not None:
                raised, group.raised_ms = group.raised_ms, None
                why = "most probes are heard again"
                found.append(AlarmReturned(_condition(place), place, raised, at, None, why))
                self._look_behind(place, at)
        return found

    def _look_behind(self, place: str, at_ms: int) -> None:
        """When a room is back, a gateway or rack that is not has a trouble of its own."""
        if not place.startswith(ROOM):
            return
        for other, group in self._groups.items():
            is_quiet = group.raised_ms is None and group.candidate_ms is None and not other.startswith(ROOM)
            are_many = len(self._probes(group.silent)) >= LEAST_PROBES
            if is_quiet and are_many and self._is_mostly_silent(other, group, at_ms):
                group.candidate_ms = at_ms

    def _pass_time(self, until_ms: int) -> list[AlarmEvent]:
        """Raise what has lasted for its on-delay by then; rooms before what hangs in them."""
        near = [(place, group) for place, group in self._groups.items() if group.candidate_ms is not None]
        found: list[AlarmEvent] = []
        for place, group in sorted(near, key=self._order):
            if group.candidate_ms is not None and until_ms >= group.candidate_ms + ON_DELAY_MS:
                found += self._comes(place, group, group.candidate_ms)
        return found

    def _order(self, near: tuple[str, _Group]) -> tuple[bool, bool, int, str]:
        """Order what is near: the rooms, then gateways before racks, and the smaller before the larger."""
        place, _group = near
        supply = self._supplies.known.get(place)
        size = len(supply.probes) if supply else 0
        return not place.startswith(ROOM), place.startswith("rack/"), size, place

    def _comes(self, place: str, group: _Group, began_ms: int) -> list[AlarmEvent]:
        supply = self._supplies.known.get(place)
        if supply is None:
            group.candidate_ms = None
            return []
        if not supply.is_room:
            if self._a_room_is_near(group):
                return []  # If the whole room is going dark, that is the alarm.
            if len(self._probes(self._unexplained(place, group))) < LEAST_PROBES:
                group.candidate_ms = None
                return []
        group.candidate_ms, group.raised_ms = None, began_ms + ON_DELAY_MS
        told = _told(supply, group, began_ms)
        condition = _condition(place)
        return [AlarmRaised(condition, place, None, "", None, group.raised_ms, began_ms, cause=told)]

    def _a_room_is_near(self, group: _Group) -> bool:
        return any(
            other.candidate_ms is not None and place.startswith(ROOM) and other.silent.keys() & group.silent.keys()
            for place, other in self._groups.items()
        )

    def _unexplained(self, place: str, group: _Group) -> set[int]:
        """Return the silent channels of a group that no other alarm explains yet."""
        explained: set[int] = set()
        for other_place, other in self._groups.items():
            if other_place != place and other.raised_ms is not None:
                explained |= other.silent.keys()
        return group.silent.keys() - explained

    def _probes(self, channels: Iterable[int]) -> set[str]:
        return {self._facts.channels[channel].probe for channel in channels if channel in self._facts.channels}

    def _most_fell_silent(self, place: str, group: _Group, at_ms: int) -> bool:
        if not self._is_mostly_silent(place, group, at_ms):
            return False
        recent = [channel for channel, since in group.silent.items() if since >= at_ms - WITHIN_MS]
        spoke = self._supplies.known[place].channels_at(at_ms) - (len(group.silent) - len(recent))
        return len(self._probes(recent)) >= LEAST_PROBES and len(recent) >= SHARE * spoke

    def _is_mostly_silent(self, place: str, group: _Group, at_ms: int) -> bool:
        supply = self._supplies.known.get(place)
        return supply is not None and len(group.silent) >= SHARE * supply.channels_at(at_ms)


def _condition(place: str) -> Condition:
    return ROOM_BLACKOUT if place.startswith(ROOM) else GATEWAY_CUT


def _told(supply: Supply, group: _Group, at_ms: int) -> str:
    silent, all_of_it = len(group.silent), supply.channels_at(at_ms)
    if supply.is_room:
        return f"{silent} of the room's {all_of_it} channels fell silent within minutes."
    return f"{silent} of the {all_of_it} channels of {supply.name} fell silent within minutes; others still speak."


def room_named(facts: RoomFacts, place: str) -> RoomFact | None:
    """Return the room that a blackout's place names."""
    return next((room for room in facts.rooms if place == f"{ROOM}{room.key}"), None)
