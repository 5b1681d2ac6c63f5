"""A room under watch: when most of its channels fall silent together, that is one alarm, not sixty.

A fold over the silences that the channels' watches find, in order of time: live, after a restart and in replay
it decides alike.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final

from service.climate.ranges import MINUTE_MS
from service.store.facts import RoomFact, RoomFacts
from service.watch.channel_watch import AlarmEvent, AlarmRaised, AlarmReturned
from service.watch.conditions import PROBE_SILENT, ROOM_BLACKOUT

# All of these: common practice, no source.
SHARE: Final = 0.6
"""Of the channels that spoke before."""
WITHIN_MS: Final = 5 * MINUTE_MS
ON_DELAY_MS: Final = 2 * MINUTE_MS
LEAST_PROBES: Final = 3
"""With fewer probes in a room nothing is common to them."""


@dataclass(slots=True)
class _Room:
    """What is remembered of a room: who is silent since when, and whether a blackout is near or stands."""

    silent: dict[int, int] = field(default_factory=dict)
    candidate_ms: int | None = None
    raised_ms: int | None = None


class RoomWatch:
    """Watches for the blackouts of every room.

    Parameters
    ----------
    facts : RoomFacts
    memory : dict, optional
        From `remembered`.
    """

    def __init__(self, facts: RoomFacts, memory: dict[str, Any] | None = None) -> None:
        self._facts = facts
        self._room_of = {enclosure.id: enclosure.room for enclosure in facts.enclosures.values()}
        self._rooms = {
            key: _Room({int(channel): since for channel, since in kept["silent"].items()}, kept["near"], kept["raised"])
            for key, kept in (memory or {}).items()
        }

    def remembered(self) -> dict[str, Any]:
        """Return what to keep for a restart, as JSON values."""
        return {
            key: {"silent": dict(room.silent), "near": room.candidate_ms, "raised": room.raised_ms}
            for key, room in self._rooms.items()
        }

    def take(self, events: Iterable[AlarmEvent], until_ms: int) -> list[AlarmEvent]:
        """Carry the watch over silences that began and ended, in order of time, and on to an instant. [ms, UTC]."""
        found: list[AlarmEvent] = []
        silences = (e for e in events if e.condition is PROBE_SILENT and e.channel_id is not None)
        for event in sorted(silences, key=lambda event: event.at_ms):
            key = self._room_key(event)
            room = self._rooms.setdefault(key, _Room())
            found += self._pass_time(key, room, event.at_ms)
            found += self._happens(key, room, event)
        for key, room in self._rooms.items():
            found += self._pass_time(key, room, until_ms)
        return found

    def _room_key(self, event: AlarmEvent) -> str:
        channel = self._facts.channels.get(event.channel_id or 0)
        placement = channel.placement_at(event.at_ms) if channel else None
        return self._room_of.get(placement.enclosure_id, "") if placement else ""

    def _happens(self, key: str, room: _Room, event: AlarmEvent) -> list[AlarmEvent]:
        channel, at = event.channel_id or 0, event.at_ms
        if isinstance(event, AlarmRaised):
            room.silent[channel] = at
            if room.candidate_ms is None and room.raised_ms is None and self._most_fell_silent(key, room, at):
                room.candidate_ms = at
            return []
        room.silent.pop(channel, None)
        if self._most_are_silent(key, room):
            return []
        room.candidate_ms = None
        if room.raised_ms is None:
            return []
        raised, room.raised_ms = room.raised_ms, None
        return [AlarmReturned(ROOM_BLACKOUT, f"room/{key}", raised, at, None, "most probes are heard again")]

    def _pass_time(self, key: str, room: _Room, until_ms: int) -> list[AlarmEvent]:
        """Raise a blackout that has lasted for its on-delay by then."""
        if room.candidate_ms is None or until_ms < room.candidate_ms + ON_DELAY_MS:
            return []
        began, room.candidate_ms = room.candidate_ms, None
        room.raised_ms = began + ON_DELAY_MS
        told = f"{len(room.silent)} of the room's {len(self._channels(key))} channels fell silent within minutes."
        place = f"room/{key}"
        return [AlarmRaised(ROOM_BLACKOUT, place, None, "", None, room.raised_ms, began, cause=told)]

    def _most_fell_silent(self, key: str, room: _Room, at_ms: int) -> bool:
        recent = [channel for channel, since in room.silent.items() if since >= at_ms - WITHIN_MS]
        probes = {self._facts.channels[channel].probe for channel in recent if channel in self._facts.channels}
        spoke = len(self._channels(key)) - (len(room.silent) - len(recent))
        return len(probes) >= LEAST_PROBES and len(recent) >= SHARE * spoke

    def _most_are_silent(self, key: str, room: _Room) -> bool:
        return len(room.silent) >= SHARE * len(self._channels(key))

    def _channels(self, key: str) -> set[int]:
        return {
            placement.channel_id
            for enclosure in self._facts.enclosures.values()
            if enclosure.room == key
            for placement in enclosure.placements
            if placement.channel_id in self._facts.channels
        }


def room_named(facts: RoomFacts, place: str) -> RoomFact | None:
    """Return the room that a blackout's place names."""
    return next((room for room in facts.rooms if place == f"room/{room.key}"), None)
