"""From what a room file says to the things and facts that the store should hold."""

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import datetime, time
from typing import Any

from sensors.catalogue import Figures
from service.model import (
    Calibration,
    Equipment,
    Housing,
    LightSchedule,
    MistingSchedule,
    Placement,
    ProfileAssignment,
    ProfileVersion,
    TargetOverride,
)
from service.roomfile.kinds import (
    ANIMAL,
    CHANNEL,
    CONTACT,
    ENCLOSURE,
    ESCALATION,
    FACT_OF,
    PROBE,
    PROFILE,
    ROOM,
    SITE,
    FactKind,
    ThingKind,
)
from service.roomfile.library import library
from service.roomfile.spec import EnclosureSpec, ProbeSpec, ProfileSpec, RoomFile


@dataclass(frozen=True)
class WantedThing:
    """A thing that should be there, `values` by column with keys in the place of ids."""

    kind: ThingKind
    key: str | int
    values: dict[str, Any]


@dataclass(frozen=True)
class WantedFact:
    """A fact that should hold; a date is None where the file gives none."""

    kind: FactKind
    owner: str | int
    values: dict[str, Any]
    from_at: datetime | None
    until_at: datetime | None = None


def clock(at: time) -> str:
    """Return a time of day as it is stored in lists and written in files."""
    return at.isoformat(timespec="seconds" if at.second else "minutes")


def profiles_in_use(room_file: RoomFile) -> list[ProfileSpec]:
    """Return the profiles of the file, then the shipped ones that its enclosures follow."""
    own = {profile.id for profile in room_file.profiles}
    followed = {enclosure.profile for enclosure in room_file.enclosures} - own
    return [*room_file.profiles, *(spec for key, spec in library().items() if key in followed)]


def wanted_things(room_file: RoomFile) -> Iterator[WantedThing]:
    """Yield every thing that should be there."""
    yield WantedThing(SITE, 1, {"name": room_file.site.name, "timezone": room_file.site.timezone})
    for room in room_file.rooms:
        yield WantedThing(ROOM, room.id, {"name": room.name})
    for enclosure in room_file.enclosures:
        yield _enclosure(enclosure)
    for profile in profiles_in_use(room_file):
        yield WantedThing(PROFILE, profile.id, {"species": profile.species})
    for probe in room_file.probes:
        yield from _probe(probe)
    for animal in room_file.animals:
        yield WantedThing(ANIMAL, animal.name, {"species": animal.species, "members": animal.members})
    for contact in room_file.contacts:
        values = {"route": contact.route, "priority": contact.priority, "hours": contact.hours}
        yield WantedThing(CONTACT, contact.name, values)
    for step in room_file.escalations:
        values = {"after_minutes": step.after_minutes, "contacts": list(step.contacts)}
        yield WantedThing(ESCALATION, step.step, values)


def _enclosure(spec: EnclosureSpec) -> WantedThing:
    place = spec.place
    where = {
        "rack": place.rack if place else None,
        "level": place.level if place else None,
        "slot": place.slot if place else None,
    }
    return WantedThing(ENCLOSURE, spec.id, {"name": spec.name, "room_id": spec.room, **where})


def figures_of(figures: Figures | None) -> dict[str, Any] | None:
    """Return a keeper's own figures as they are stored: those that are given."""
    if figures is None:
        return None
    return {name: value for name, value in asdict(figures).items() if value is not None}


def _probe(spec: ProbeSpec) -> Iterator[WantedThing]:
    values = {"model": spec.model, "topic": spec.topic, "format": spec.format}
    names = {"each_pointer": spec.each, "called": spec.called, "called_at": spec.called_at}
    yield WantedThing(PROBE, spec.id, {**values, "every_s": spec.every, "time_pointer": spec.time, **names})
    for channel in spec.channels:
        key = f"{spec.id}/{channel.quantity}"
        values = {"probe_id": spec.id, "quantity": channel.quantity, "pointer": channel.pointer, "unit": channel.unit}
        values["figures"] = figures_of(channel.figures)
        yield WantedThing(CHANNEL, key, values)


def wanted_facts(room_file: RoomFile) -> Iterator[WantedFact]:
    """Yield every dated fact that should hold."""
    for profile in profiles_in_use(room_file):
        yield WantedFact(FACT_OF[ProfileVersion], profile.id, {"body": profile.body()}, profile.from_at)
    for enclosure in room_file.enclosures:
        yield from _programme(enclosure)
    for probe in room_file.probes:
        yield from _places(probe)
    for check in room_file.calibrations:
        owner = f"{check.probe}/{check.quantity}"
        yield WantedFact(FACT_OF[Calibration], owner, check.values(), check.from_at or check.at)
    for animal in room_file.animals:
        for housing in animal.housings:
            values = {"enclosure_id": housing.enclosure}
            yield WantedFact(FACT_OF[Housing], animal.name, values, housing.from_at, housing.until_at)
    for piece in room_file.equipment:
        values = {"kind": piece.kind, "replace_after_months": piece.replace_after_months}
        yield WantedFact(FACT_OF[Equipment], piece.enclosure, values, piece.installed)


def _programme(spec: EnclosureSpec) -> Iterator[WantedFact]:
    if spec.lights is not None:
        values = {"on": spec.lights.on, "off": spec.lights.off}
        yield WantedFact(FACT_OF[LightSchedule], spec.id, values, spec.lights_from)
    if spec.misting:
        cycles = [[clock(cycle.at), cycle.seconds] for cycle in spec.misting]
        yield WantedFact(FACT_OF[MistingSchedule], spec.id, {"cycles": cycles}, spec.misting_from)
    if spec.profile is not None:
        yield WantedFact(FACT_OF[ProfileAssignment], spec.id, {"profile_id": spec.profile}, spec.profile_from)
    for override in spec.overrides:
        limits = {"low": override.low, "high": override.high, "share": override.share}
        values = {"check": override.check, **limits, "reason": override.reason}
        yield WantedFact(FACT_OF[TargetOverride], spec.id, values, override.from_at, override.until_at)


def _places(spec: ProbeSpec) -> Iterator[WantedFact]:
    for channel in spec.channels:
        for place in channel.placements:
            values = {"enclosure_id": place.enclosure, "zone": place.zone}
            owner = f"{spec.id}/{channel.quantity}"
            yield WantedFact(FACT_OF[Placement], owner, values, place.from_at, place.until_at)
