"""What probes have in common: the gateway that speaks for them, a level of their topics, the rack they hang in (pure).

Who shares one falls silent with it. No probe says so by itself: a gateway is known where the room file says that
several probes speak through one topic; else by a level of the topics that part of the probes share, as gateways publish
below their own name; and a rack has, as a rule, one socket and one gateway.
"""

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

from service.store.facts import ChannelFact, PlacementFact, ProbeFact, RoomFacts

LEAST_PROBES: Final = 3
"""With fewer probes nothing is common to them. Common practice, no source."""
ROOM: Final = "room/"


@dataclass(slots=True)
class Supply:
    """A room, a gateway, a rack: what feeds several probes.

    Attributes
    ----------
    place : str
        ``room/front``, ``gateway/north/gw-2``, ``rack/front/B``.
    name : str
        In a sentence: ``the room``, ``the gateway on north/gw-2``, ``rack B``.
    probes : set of str
        Keys of all that ever were in it.
    """

    place: str
    name: str
    probes: set[str] = field(default_factory=set)
    _starts: list[int] = field(default_factory=list)
    _ends: list[int] = field(default_factory=list)

    @property
    def is_room(self) -> bool:
        """Whether it is a whole room."""
        return self.place.startswith(ROOM)

    def add(self, probe: str, placement: PlacementFact) -> None:
        """Note that a channel stood in it."""
        self.probes.add(probe)
        self._starts.append(placement.start_ms)
        self._ends.append(placement.end_ms)

    def settle(self) -> None:
        """Make ready to be asked."""
        self._starts.sort()
        self._ends.sort()

    def channels_at(self, at_ms: int) -> int:
        """Return how many channels stood in it then. [ms since 1970, UTC]."""
        return bisect_right(self._starts, at_ms) - bisect_right(self._ends, at_ms)


class Supplies:
    """Which rooms, gateways and racks there are, and what each channel hangs on.

    Parameters
    ----------
    facts : RoomFacts
    """

    def __init__(self, facts: RoomFacts) -> None:
        self._facts = facts
        self._probes = {probe.key: probe for probe in facts.probes.values()}
        known: dict[str, Supply] = {}
        for channel in facts.channels.values():
            for placement in channel.placements:
                for place, name in self._places(channel, placement):
                    known.setdefault(place, Supply(place, name)).add(channel.probe, placement)
        total = len({channel.probe for channel in facts.channels.values() if channel.placements})
        self.known = {place: one for place, one in known.items() if one.is_room or _is_common(one, total)}
        for supply in self.known.values():
            supply.settle()

    def of(self, channel_id: int, at_ms: int) -> list[str]:
        """Return the places that a channel hangs on at an instant: its room, its gateways, its rack. [ms, UTC]."""
        channel = self._facts.channels.get(channel_id)
        placement = channel.placement_at(at_ms) if channel else None
        if channel is None or placement is None:
            return []
        return [place for place, _name in self._places(channel, placement) if place in self.known]

    def rooms(self) -> dict[str, set[str]]:
        """Return the rooms that each place feeds, by the rooms' places."""
        found: dict[str, set[str]] = {}
        for channel in self._facts.channels.values():
            for placement in channel.placements:
                enclosure = self._facts.enclosures.get(placement.enclosure_id)
                for place, _name in self._places(channel, placement):
                    if enclosure is not None and place in self.known:
                        found.setdefault(place, set()).add(f"{ROOM}{enclosure.room}")
        return found

    def _places(self, channel: ChannelFact, placement: PlacementFact) -> Iterator[tuple[str, str]]:
        enclosure = self._facts.enclosures.get(placement.enclosure_id)
        if enclosure is None:
            return
        yield f"{ROOM}{enclosure.room}", "the room"
        probe = self._probes.get(channel.probe)
        if probe is not None:
            yield from _gateways(probe)
        if enclosure.rack:
            yield f"rack/{enclosure.room}/{enclosure.rack}", f"rack {enclosure.rack}"


def _is_common(supply: Supply, total: int) -> bool:
    """Whether it tells some probes from the others: what all share says nothing."""
    return LEAST_PROBES <= len(supply.probes) < total


def _gateways(probe: ProbeFact) -> Iterator[tuple[str, str]]:
    """Yield the gateways that a probe may speak through: its topic where others share it, and each level above."""
    levels = probe.topic.split("/")
    if probe.called is not None:
        yield f"gateway/{probe.topic}", f"the gateway on {probe.topic}"
    for count in range(len(levels) - 1, 0, -1):
        above = "/".join(levels[:count])
        yield f"gateway/{above}", f"the gateway on {above}"


def probes_under(facts: RoomFacts, place: str) -> list[str]:
    """Return the keys of the probes whose silence a room, a gateway or a rack explains."""
    supply = Supplies(facts).known.get(place)
    return sorted(supply.probes) if supply else []


def islands(facts: RoomFacts) -> dict[str, str]:
    """Return, for each place of `Supplies.known`, the first room of those that hang together with it.

    Rooms that share a gateway are watched by one process: what they have in common is seen in one place alone.
    """
    supplies = Supplies(facts)
    first = {f"{ROOM}{room.key}": room.key for room in facts.rooms}
    rooms_of = supplies.rooms()
    joined = True
    while joined:
        joined = False
        for rooms in rooms_of.values():
            least = min(first[room] for room in rooms)
            for room in rooms:
                joined, first[room] = joined or first[room] != least, least
    return {place: first[min(rooms)] for place, rooms in rooms_of.items()} | first
