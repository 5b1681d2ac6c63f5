"""The room's facts as plain values: what is where, since when, and what it should be.

Loaded whole into frozen dataclasses: a site has few facts and many readers, and none of those should hold a session.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import time
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

import sqlalchemy as sa
from sqlmodel import Session, SQLModel, select

from sensors.catalogue import Figures
from service.model import (
    Calibration,
    Channel,
    DatedFact,
    Enclosure,
    LightSchedule,
    MistingSchedule,
    Placement,
    Probe,
    Profile,
    ProfileAssignment,
    ProfileVersion,
    Room,
    Site,
    TargetOverride,
    table_of,
    to_ms,
)
from service.store.readings import END_OF_TIME, number
from service.store.reference_checks import CalibrationFact, check_of
from service.store.since import Since, in_force, span_of

_Fact = TypeVar("_Fact", bound=DatedFact)


@dataclass(frozen=True, slots=True)
class PlacementFact(Since):
    """A channel stands in a zone of an enclosure."""

    id: int
    channel_id: int
    enclosure_id: int
    zone: str


@dataclass(frozen=True, slots=True)
class LightFact(Since):
    """The lights' wall-clock schedule."""

    on: time
    off: time


@dataclass(frozen=True, slots=True)
class MistingFact(Since):
    """The misting cycles of a day: wall-clock time and seconds."""

    cycles: tuple[tuple[time, int], ...]


@dataclass(frozen=True, slots=True)
class ProfileFact(Since):
    """An enclosure follows a profile."""

    profile: str


@dataclass(frozen=True, slots=True)
class ProfileVersionFact(Since):
    """What a profile asks for: `body` as in `service.model.ProfileVersion`."""

    profile: str
    species: str
    version: int
    body: dict[str, Any]


@dataclass(frozen=True, slots=True)
class OverrideFact(Since):
    """One target set differently for a span."""

    check: str
    low: float | None
    high: float | None
    share: float | None
    reason: str


@dataclass(frozen=True, slots=True)
class RoomFact:
    """A room."""

    id: int
    key: str
    name: str


@dataclass(frozen=True, slots=True)
class EnclosureFact:
    """An enclosure with its dated facts, each list in order of time."""

    id: int
    key: str
    name: str
    room: str
    rack: str | None
    level: int | None
    slot: int | None
    lights: tuple[LightFact, ...]
    misting: tuple[MistingFact, ...]
    profiles: tuple[ProfileFact, ...]
    overrides: tuple[OverrideFact, ...]
    placements: tuple[PlacementFact, ...]
    retired_ms: int | None = None

    def lights_at(self, at_ms: int) -> LightFact | None:
        """Return the light schedule in force, if there is one."""
        return in_force(self.lights, at_ms)

    def misting_at(self, at_ms: int) -> MistingFact | None:
        """Return the misting schedule in force, if there is one."""
        return in_force(self.misting, at_ms)

    def profile_at(self, at_ms: int) -> str | None:
        """Return the key of the profile that is followed at that time."""
        fact = in_force(self.profiles, at_ms)
        return fact.profile if fact else None


@dataclass(frozen=True, slots=True)
class ChannelFact:
    """A channel of a probe, with its placements and calibrations in order of time."""

    id: int
    key: str
    probe: str
    model: str
    quantity: str
    pointer: str | None
    unit: str | None
    declared_cadence_ms: int | None
    placements: tuple[PlacementFact, ...]
    calibrations: tuple[CalibrationFact, ...]
    figures: Figures | None = None

    def placement_at(self, at_ms: int) -> PlacementFact | None:
        """Return where the channel stood at that time."""
        return in_force(self.placements, at_ms)

    def check_at(self, at_ms: int) -> CalibrationFact | None:
        """Return the reference check that corrects a reading of that time: of those that hold, the last one made."""
        holding = (check for check in self.calibrations if check.holds_at(at_ms))
        return max(holding, key=lambda check: (check.checked_ms, check.start_ms), default=None)


@dataclass(frozen=True, slots=True)
class ProbeFact:
    """A probe: how it is heard and what its messages mean."""

    id: int
    key: str
    model: str
    topic: str
    format: str
    time_pointer: str | None
    channels: tuple[int, ...]
    each_pointer: str | None = None
    called: str | None = None
    called_at: str | None = None


@dataclass(frozen=True)
class RoomFacts:
    """Everything that is known of the site, as of one state of the store.

    `enclosures` and `by_key` are those in use; `retired` are those that were, for who looks back.
    """

    version: int
    site: str
    timezone: str
    rooms: tuple[RoomFact, ...]
    enclosures: dict[int, EnclosureFact]
    probes: dict[int, ProbeFact]
    channels: dict[int, ChannelFact]
    profile_versions: dict[str, tuple[ProfileVersionFact, ...]]
    by_key: dict[str, EnclosureFact] = field(default_factory=dict)
    channel_by_key: dict[str, ChannelFact] = field(default_factory=dict)
    retired: dict[str, EnclosureFact] = field(default_factory=dict)

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone: every day is a local day of it."""
        return ZoneInfo(self.timezone)

    def profile_version_at(self, profile: str, at_ms: int) -> ProfileVersionFact | None:
        """Return what a profile asked for at that time."""
        return in_force(self.profile_versions.get(profile, ()), at_ms)


def current(session: Session, model: type[_Fact]) -> Sequence[_Fact]:
    """Return the rows of a dated table that count: neither replaced nor withdrawn, in order of time."""
    return session.scalars(counting(model, model)).all()


def counting(model: type[DatedFact], *columns: Any) -> Any:  # noqa: ANN401 - columns or a whole table, and a query for them
    """Return the query for those columns of the rows of a dated table that count, in order of time."""
    table = table_of(model)
    later = table.alias()
    replaced = sa.select(later.c.replaces_id).where(later.c.replaces_id.is_not(None))
    query = sa.select(*columns).where(table.c.withdrawn.is_(False), table.c.id.not_in(replaced))
    return query.order_by(table.c.from_at, table.c.id)


def load_facts(session: Session) -> RoomFacts:
    """Load everything that is known of the site; an empty store gives an unnamed site in UTC."""
    site = session.get(Site, 1)
    placements = _placements(session)
    channels = _channels(session, placements)
    all_enclosures = _enclosures(session, placements)
    enclosures = {key: enclosure for key, enclosure in all_enclosures.items() if enclosure.retired_ms is None}
    rooms = [RoomFact(_id(room), room.key, room.name) for room in _standing(session, Room)]
    return RoomFacts(
        version=facts_version(session),
        site=site.name if site else "",
        timezone=site.timezone if site else "UTC",
        rooms=tuple(rooms),
        enclosures=enclosures,
        probes=_probes(session),
        channels=channels,
        profile_versions=_profile_versions(session),
        by_key={enclosure.key: enclosure for enclosure in enclosures.values()},
        channel_by_key={channel.key: channel for channel in channels.values()},
        retired={e.key: e for e in all_enclosures.values() if e.retired_ms is not None},
    )


def facts_version(session: Session) -> int:
    """Return the number of the last change of facts: while it stands, what was loaded is still true."""
    return number(session, "facts")


def _id(row: SQLModel) -> int:
    identity = getattr(row, "id", None)
    if identity is None:
        raise ValueError(f"{row!r} is not stored yet")
    return identity


_Row = TypeVar("_Row", Room, Profile)


def _standing(session: Session, model: type[_Row]) -> Sequence[_Row]:
    """Return the rows that are not retired, in order of entry."""
    table = table_of(model)
    return session.exec(select(model).where(table.c.retired_at.is_(None)).order_by(table.c.id)).all()


def _of(facts: Sequence[_Fact], attribute: str) -> dict[int, list[_Fact]]:
    """Sort dated facts by what they are about."""
    sorted_facts: dict[int, list[_Fact]] = {}
    for fact in facts:
        sorted_facts.setdefault(getattr(fact, attribute), []).append(fact)
    return sorted_facts


def _placements(session: Session) -> list[PlacementFact]:
    """Return every placement that counts, in order of time."""
    # Plain rows: a large site has thousands, and a mapped object costs ten times as much.
    columns = table_of(Placement).c
    rows = session.execute(
        counting(
            Placement, columns.from_at, columns.until_at, columns.id, columns.channel_id, columns.enclosure_id,
            columns.zone,
        )
    )  # fmt: skip
    return [
        PlacementFact(to_ms(start), END_OF_TIME if end is None else to_ms(end), *about) for start, end, *about in rows
    ]


def _channels(session: Session, placements: Sequence[PlacementFact]) -> dict[int, ChannelFact]:
    checks = _of(current(session, Calibration), "channel_id")
    placed: dict[int, list[PlacementFact]] = {}
    for placement in placements:
        placed.setdefault(placement.channel_id, []).append(placement)
    channel, probe = table_of(Channel).c, table_of(Probe).c
    rows = session.execute(
        sa.select(
            channel.id, channel.key, probe.key, probe.model, channel.quantity, channel.pointer, channel.unit,
            probe.every_s, channel.figures,
        ).join_from(table_of(Channel), table_of(Probe), channel.probe_id == probe.id)
    )  # fmt: skip
    return {
        identity: ChannelFact(
            identity,
            *about,
            declared_cadence_ms=None if every_s is None else round(every_s * 1000),
            placements=tuple(placed.get(identity, ())),
            calibrations=tuple(check_of(c) for c in checks.get(identity, ())),
            figures=None if figures is None else Figures(**figures),
        )
        for identity, *about, every_s, figures in rows
    }


def _probes(session: Session) -> dict[int, ProbeFact]:
    """Return the probes in use, each with its channels in use."""
    channel, probe = table_of(Channel).c, table_of(Probe).c
    listening = sa.select(channel.probe_id, channel.id).where(channel.retired_at.is_(None)).order_by(channel.id)
    of_probe: dict[int, list[int]] = {}
    for probe_id, channel_id in session.execute(listening):
        of_probe.setdefault(probe_id, []).append(channel_id)
    rows = session.execute(
        sa.select(
            probe.id, probe.key, probe.model, probe.topic, probe.format, probe.time_pointer, probe.each_pointer,
            probe.called, probe.called_at,
        ).where(probe.retired_at.is_(None)).order_by(probe.id)
    )  # fmt: skip
    return {
        identity: ProbeFact(
            identity, key, model, topic, written, time, tuple(of_probe.get(identity, ())), each, called, called_at
        )
        for identity, key, model, topic, written, time, each, called, called_at in rows
    }


def _enclosures(session: Session, placements: Sequence[PlacementFact]) -> dict[int, EnclosureFact]:
    rooms = {_id(room): room.key for room in session.exec(select(Room))}
    profiles = {_id(profile): profile.key for profile in session.exec(select(Profile))}
    lights = _of(current(session, LightSchedule), "enclosure_id")
    misting = _of(current(session, MistingSchedule), "enclosure_id")
    followed = _of(current(session, ProfileAssignment), "enclosure_id")
    overrides = _of(current(session, TargetOverride), "enclosure_id")
    placed: dict[int, list[PlacementFact]] = {}
    for placement in placements:
        placed.setdefault(placement.enclosure_id, []).append(placement)
    enclosures: dict[int, EnclosureFact] = {}
    table = table_of(Enclosure)
    for row in session.exec(select(Enclosure).order_by(table.c.id)):
        key = _id(row)
        enclosures[key] = EnclosureFact(
            id=key,
            key=row.key,
            name=row.name,
            room=rooms[row.room_id],
            rack=row.rack,
            level=row.level,
            slot=row.slot,
            lights=tuple(LightFact(*span_of(f), f.on, f.off) for f in lights.get(key, ())),
            misting=tuple(MistingFact(*span_of(f), _cycles(f.cycles)) for f in misting.get(key, ())),
            profiles=tuple(ProfileFact(*span_of(f), profiles[f.profile_id]) for f in followed.get(key, ())),
            overrides=tuple(
                OverrideFact(*span_of(f), f.check, f.low, f.high, f.share, f.reason) for f in overrides.get(key, ())
            ),
            placements=tuple(placed.get(key, ())),
            retired_ms=None if row.retired_at is None else to_ms(row.retired_at),
        )
    return enclosures


def _cycles(stored: Iterable[Sequence[Any]]) -> tuple[tuple[time, int], ...]:
    return tuple((time.fromisoformat(at), int(seconds)) for at, seconds in stored)


def _profile_versions(session: Session) -> dict[str, tuple[ProfileVersionFact, ...]]:
    profiles = {_id(profile): profile for profile in session.exec(select(Profile))}
    versions: dict[str, list[ProfileVersionFact]] = {}
    for row in current(session, ProfileVersion):
        profile = profiles[row.profile_id]
        fact = ProfileVersionFact(*span_of(row), profile.key, profile.species, row.version, row.body)
        versions.setdefault(profile.key, []).append(fact)
    return {key: tuple(facts) for key, facts in versions.items()}
