"""What a room file says, as plain values.

Every value here has passed the checks of `service.roomfile.reading`: names are known, spans do not clash.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, time
from typing import Any

from sensors.catalogue import Figures

BEGINNING = datetime(2000, 1, 1, tzinfo=UTC)
"""From when the first facts of a new thing hold, unless the file says otherwise: before any reading."""


@dataclass(frozen=True, slots=True)
class SiteSpec:
    """The site: its name, and the IANA time zone whose days it lives by."""

    name: str
    timezone: str


@dataclass(frozen=True, slots=True)
class RoomSpec:
    """A room."""

    id: str
    name: str


@dataclass(frozen=True, slots=True)
class PlaceSpec:
    """Where an enclosure stands: column = slot, row = level."""

    rack: str
    level: int
    slot: int


@dataclass(frozen=True, slots=True)
class LightsSpec:
    """When the lights are on, by the site's wall clock; off before on means across midnight."""

    on: time
    off: time


@dataclass(frozen=True, slots=True)
class CycleSpec:
    """One misting cycle of a day; the pump runs for so many seconds."""

    at: time
    seconds: int


@dataclass(frozen=True, slots=True)
class OverrideSpec:
    """One target of one enclosure, set differently for a span, with the reason."""

    check: str
    low: float | None
    high: float | None
    share: float | None
    from_at: datetime
    until_at: datetime | None
    reason: str


@dataclass(frozen=True, slots=True)
class EnclosureSpec:
    """An enclosure; the `*_from` say since when, None where the file does not."""

    id: str
    name: str
    room: str
    place: PlaceSpec | None
    profile: str | None
    profile_from: datetime | None
    lights: LightsSpec | None
    lights_from: datetime | None
    misting: tuple[CycleSpec, ...]
    misting_from: datetime | None
    overrides: tuple[OverrideSpec, ...]


@dataclass(frozen=True, slots=True)
class PlacementSpec:
    """A channel in a zone of an enclosure; None where the file gives no time."""

    enclosure: str
    zone: str
    from_at: datetime | None
    until_at: datetime | None


@dataclass(frozen=True, slots=True)
class ChannelSpec:
    """One quantity of a probe, and every place that the file gives it."""

    quantity: str
    pointer: str | None
    unit: str | None
    placements: tuple[PlacementSpec, ...]
    figures: Figures | None = None


@dataclass(frozen=True, slots=True)
class ProbeSpec:
    """A probe: how it is heard, the seconds between its readings where declared, its channels, and its name there."""

    id: str
    model: str
    topic: str
    format: str
    every: float | None
    time: str | None
    channels: tuple[ChannelSpec, ...]
    each: str | None = None
    called: str | None = None
    called_at: str | None = None


@dataclass(frozen=True, slots=True)
class TargetSpec:
    """What one check asks for, in the check's own unit, and where that figure stands.

    `latitude` is that of a photoperiod which follows the sun, in degrees, north positive.
    """

    check: str
    low: float | None
    high: float | None
    share: float | None
    source: str
    latitude: float | None = None

    def body(self) -> dict[str, Any]:
        """Return it as it is stored."""
        body = {"check": self.check, "low": self.low, "high": self.high, "share": self.share, "source": self.source}
        return body if self.latitude is None else body | {"latitude": self.latitude}


@dataclass(frozen=True, slots=True)
class SeasonSpec:
    """A window of the year whose targets replace the others; `first` and `last` are ``MM-DD`` and both belong."""

    name: str
    first: str
    last: str
    targets: tuple[TargetSpec, ...]

    def body(self) -> dict[str, Any]:
        """Return it as it is stored."""
        targets = [target.body() for target in self.targets]
        return {"name": self.name, "from": self.first, "until": self.last, "target": targets}


@dataclass(frozen=True, slots=True)
class ProfileSpec:
    """A species profile; `from_at` is when this text came into force, None where the file does not say."""

    id: str
    species: str
    notes: str
    from_at: datetime | None
    targets: tuple[TargetSpec, ...]
    seasons: tuple[SeasonSpec, ...]

    def body(self) -> dict[str, Any]:
        """Return what it asks for as it is stored in `service.model.ProfileVersion.body`."""
        return {
            "target": [target.body() for target in self.targets],
            "season": [season.body() for season in self.seasons],
            "notes": self.notes,
        }


@dataclass(frozen=True, slots=True)
class HousingSpec:
    """An animal in an enclosure for a span."""

    enclosure: str
    from_at: datetime
    until_at: datetime | None


@dataclass(frozen=True, slots=True)
class AnimalSpec:
    """An animal, or a group that is kept as one, and where it has been housed.

    `members` is how many it was when it was entered; None where the file does not say.
    """

    name: str
    species: str
    housings: tuple[HousingSpec, ...]
    members: int | None = None


@dataclass(frozen=True, slots=True)
class EquipmentSpec:
    """A lamp, filter, nozzle or pump; without months where it does not age."""

    enclosure: str
    kind: str
    installed: datetime
    replace_after_months: float | None


@dataclass(frozen=True, slots=True)
class CareSpec:
    """Something that has to be done every so many days; without an enclosure, in the whole site.

    `first_due` is None where the file does not say: then it is due when the file is applied.
    """

    what: str
    enclosure: str | None
    every_days: float
    first_due: datetime | None


@dataclass(frozen=True, slots=True)
class CalibrationSpec:
    """A reference check, in the quantity's own unit: what the channel read at known values.

    `points` are as `service.model.Calibration` stores them, at least one; `from_at` is None where the check corrects
    from `at` on.
    """

    probe: str
    quantity: str
    at: datetime
    points: tuple[dict[str, Any], ...]
    from_at: datetime | None
    done_by: str | None
    note: str | None

    def values(self) -> dict[str, Any]:
        """Return it by column: the list of points only where the first three figures do not say it all."""
        first = {name: self.points[0][name] for name in ("reference", "reads", "uncertainty")}
        points = None if self.points == (first,) else list(self.points)
        made = self.at if self.from_at is not None and self.from_at != self.at else None
        return {**first, "points": points, "checked_at": made, "done_by": self.done_by, "note": self.note}


@dataclass(frozen=True, slots=True)
class ContactSpec:
    """Someone who is told. `route` is a secret: it is never shown, except in an export that says so."""

    name: str
    route: str
    priority: str
    hours: str | None

    def __repr__(self) -> str:
        """Return it without the route, so that no log or traceback carries it."""
        return f"ContactSpec(name={self.name!r}, priority={self.priority!r}, hours={self.hours!r})"


@dataclass(frozen=True, slots=True)
class EscalationSpec:
    """A step: not acknowledged so long after the step before, these contacts are told."""

    step: int
    after_minutes: float
    contacts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RoomFile:
    """A whole room file."""

    site: SiteSpec
    rooms: tuple[RoomSpec, ...] = ()
    enclosures: tuple[EnclosureSpec, ...] = ()
    probes: tuple[ProbeSpec, ...] = ()
    profiles: tuple[ProfileSpec, ...] = ()
    animals: tuple[AnimalSpec, ...] = ()
    equipment: tuple[EquipmentSpec, ...] = ()
    care: tuple[CareSpec, ...] = ()
    calibrations: tuple[CalibrationSpec, ...] = ()
    contacts: tuple[ContactSpec, ...] = ()
    escalations: tuple[EscalationSpec, ...] = ()
