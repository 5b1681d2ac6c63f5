"""The part of a room file about rooms and enclosures."""

from datetime import datetime
from itertools import groupby

from service.roomfile.known import Known
from service.roomfile.nodes import Node, report_twice
from service.roomfile.read_profiles import read_limits
from service.roomfile.spans import report_meeting
from service.roomfile.spec import BEGINNING, CycleSpec, EnclosureSpec, LightsSpec, OverrideSpec, PlaceSpec, RoomSpec

_LONGEST_CYCLE_S = 3_600
_MOST_SLOTS = 999


def read_room(node: Node) -> RoomSpec:
    """Read a `[[room]]`; its name is its id where none is given."""
    identity, name = node.identity() or "", node.text("name")
    node.finish()
    return RoomSpec(identity, name or identity)


def read_enclosure(node: Node, known: Known) -> EnclosureSpec:
    """Read an `[[enclosure]]` with its place, programmes and overrides."""
    identity, name = node.identity() or "", node.text("name")
    spec = EnclosureSpec(
        id=identity,
        name=name or identity,
        room=node.word("room", "room", known.rooms) or "",
        place=_place(node),
        profile=node.word("profile", "profile", known.profiles, required=False),
        profile_from=_since(node, "profile"),
        lights=_lights(node),
        lights_from=_since(node, "lights"),
        misting=_misting(node),
        misting_from=_since(node, "misting"),
        overrides=_overrides(node),
    )
    node.finish()
    return spec


def _since(node: Node, key: str) -> datetime | None:
    since = node.instant(f"{key}_from")
    if since is not None and not node.has(key):
        node.problem(f'"{key}_from" stands without "{key}"; add it, or leave the date out', f"{key}_from")
    return since


def _place(node: Node) -> PlaceSpec | None:
    place = node.table("place")
    if place is None:
        return None
    rack = place.text("rack", required=True)
    level, slot = place.whole("level", 0, _MOST_SLOTS), place.whole("slot", 0, _MOST_SLOTS)
    place.finish()
    if rack is None or level is None or slot is None:
        return None
    return PlaceSpec(rack, level, slot)


def _lights(node: Node) -> LightsSpec | None:
    lights = node.table("lights")
    if lights is None:
        return None
    on, off = lights.wall_time("on"), lights.wall_time("off")
    if on is not None and on == off:
        lights.problem(f'"on" and "off" are both {on:%H:%M}; leave "lights" out where there is no light', "on")
    lights.finish()
    return None if on is None or off is None else LightsSpec(on, off)


def _misting(node: Node) -> tuple[CycleSpec, ...]:
    nodes = node.tables("misting", "at")
    cycles = [_cycle(cycle) for cycle in nodes]
    times = [cycle and cycle.at for cycle in cycles]
    report_twice(nodes, times, lambda _, line: f"misting begins then already, in line {line}")
    return tuple(sorted((cycle for cycle in cycles if cycle), key=lambda cycle: cycle.at))


def _cycle(node: Node) -> CycleSpec | None:
    at, seconds = node.wall_time("at"), node.whole("seconds", 1, _LONGEST_CYCLE_S, unit=" s")
    node.finish()
    return None if at is None or seconds is None else CycleSpec(at, seconds)


def _overrides(node: Node) -> tuple[OverrideSpec, ...]:
    nodes = node.tables("override", "check")
    read = sorted(((_override(each), each) for each in nodes), key=lambda pair: pair[0].check)
    for check, pairs in groupby(read, key=lambda pair: pair[0].check):
        same = list(pairs)
        if check:
            report_meeting(
                [each for _, each in same],
                [spec for spec, _ in same],
                lambda spec: (spec.from_at, spec.until_at),
                f'overlaps the override of "{check}" in',
            )
    return tuple(spec for spec, _ in read)


def _override(node: Node) -> OverrideSpec:
    check, low, high, share = read_limits(node)
    start, end = node.span(required=True)
    reason = node.text("reason", required=True)
    node.finish()
    return OverrideSpec(check or "", low, high, share, start or BEGINNING, end, reason or "")


def report_shared_places(nodes: list[Node], enclosures: list[EnclosureSpec]) -> None:
    """Note enclosures that stand where another stands."""
    places = [spec.place and (spec.room, spec.place) for spec in enclosures]
    report_twice(nodes, places, lambda _, line: f"stands in the same place as the enclosure in line {line}")
