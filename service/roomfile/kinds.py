"""What the store holds that a room file speaks of: the things, and the dated facts about them.

Each kind says how a row is told from others, what it holds, and how a sentence shows that.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Final, TypeAlias

from sqlmodel import SQLModel

from service.climate.targets import CHECK_UNITS_AND_SHARES
from service.model import (
    Animal,
    Calibration,
    Channel,
    Contact,
    DatedFact,
    Enclosure,
    Equipment,
    Escalation,
    Housing,
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
)

Values: TypeAlias = Mapping[str, Any]
References: TypeAlias = Mapping[str, type[SQLModel]]


@dataclass(frozen=True)
class ThingKind:
    """A kind of thing that is entered, changed and retired.

    Attributes
    ----------
    model : type
        Its table.
    noun : str
        What a sentence calls it.
    key : str
        The column of its key.
    columns : mapping of column to what a sentence calls it
    references : mapping of column to table
        Columns that hold another thing's id; here they hold that thing's key.
    secret : frozenset of column
        Never shown.
    usual : mapping of column to value
        Columns that a file need not speak of: what stands is left, and something new is so.
    """

    model: type[SQLModel]
    noun: str
    key: str
    columns: Mapping[str, str]
    references: References = field(default_factory=dict)
    secret: frozenset[str] = frozenset()
    usual: Mapping[str, object] = field(default_factory=dict)


SITE: Final = ThingKind(Site, "site", "id", {"name": "name", "timezone": "time zone"})
ROOM: Final = ThingKind(Room, "room", "key", {"name": "name"})
ENCLOSURE: Final = ThingKind(
    Enclosure,
    "enclosure",
    "key",
    {"name": "name", "room_id": "room", "rack": "rack", "level": "level", "slot": "slot"},
    {"room_id": Room},
)
PROFILE: Final = ThingKind(Profile, "profile", "key", {"species": "species"})
PROBE: Final = ThingKind(
    Probe,
    "probe",
    "key",
    {"model": "model", "topic": "topic", "format": "format", "every_s": "seconds between readings",
     "time_pointer": "pointer to the time", "each_pointer": "pointer to the records",
     "called": "what its gateway calls it", "called_at": "where that stands"},
)  # fmt: skip
CHANNEL: Final = ThingKind(
    Channel,
    "channel",
    "key",
    {"probe_id": "probe", "quantity": "quantity", "pointer": "pointer or record name", "unit": "unit",
     "figures": "own figures"},
    {"probe_id": Probe},
)  # fmt: skip
ANIMAL: Final = ThingKind(Animal, "animal", "name", {"species": "species", "members": "members"}, usual={"members": 1})
CONTACT: Final = ThingKind(
    Contact,
    "contact",
    "name",
    {"route": "route", "priority": "least priority", "hours": "hours"},
    secret=frozenset({"route"}),
)
ESCALATION: Final = ThingKind(
    Escalation, "escalation step", "step", {"after_minutes": "minutes to wait", "contacts": "contacts"}
)
THINGS: Final = (SITE, ROOM, ENCLOSURE, PROFILE, PROBE, CHANNEL, ANIMAL, CONTACT, ESCALATION)
"""In an order in which each refers only to those before it."""


@dataclass(frozen=True)
class FactKind:
    """A kind of dated fact.

    Attributes
    ----------
    model : type
        Its table.
    owner : ThingKind
        The thing that it is about, and `owner_column` the column of that thing's id.
    apart : tuple of columns
        What tells timelines of one owner from each other: the check of an override.
    columns : tuple of columns
        What it says.
    carried : tuple of columns
        What a row keeps when its dates change, but does not say: the number of a version.
    references : mapping of column to table
        Columns that hold another thing's id; here they hold that thing's key.
    noun : callable
        From `apart` to what a sentence calls the fact.
    describe : callable
        From what it says to words.
    until_next : bool
        Whether it goes on until the next one that the file gives.
    is_moment : bool
        Whether it is known by the instant when it began: a reference check.
    renews : bool
        Whether what begins later is another of its kind: a lamp in the place of a lamp.
    """

    model: type[DatedFact]
    owner: ThingKind
    owner_column: str
    columns: tuple[str, ...]
    noun: Callable[[Values], str]
    describe: Callable[[Values], str]
    apart: tuple[str, ...] = ()
    carried: tuple[str, ...] = ()
    references: References = field(default_factory=dict)
    until_next: bool = True
    is_moment: bool = False
    renews: bool = False


def limits_in_words(check: str, low: float | None, high: float | None, share: float | None) -> str:
    """Return what a target asks for, in words, with its unit."""
    unit = CHECK_UNITS_AND_SHARES[check][0] if check in CHECK_UNITS_AND_SHARES else ""
    ending = f" {unit}" if unit else ""
    words: list[str] = []
    if low is not None and high is not None:
        words.append(f"{low:g} to {high:g}{ending}")
    elif low is not None:
        words.append(f"at least {low:g}{ending}")
    elif high is not None:
        words.append(f"at most {high:g}{ending}")
    if share is not None:
        words.append(f"{100 * share:g} % of the {'cycles' if check == 'misting-cycles' else 'time'}")
    return ", ".join(words)


def _override_in_words(fact: Values) -> str:
    limits = limits_in_words(fact["check"], fact["low"], fact["high"], fact["share"])
    return f"{limits} ({fact['reason']})"


def _cycles_in_words(fact: Values) -> str:
    return ", ".join(f"{at} for {seconds} s" for at, seconds in fact["cycles"])


def _equipment_in_words(fact: Values) -> str:
    months = fact["replace_after_months"]
    return "in use" if months is None else f"in use, to be replaced after {months:g} months"


def _check_in_words(fact: Values) -> str:
    points = fact["points"] or [fact]
    words = [f"{point['reads']:g} at {point['reference']:g} ± {point['uncertainty']:g}" for point in points]
    return f"read {' and '.join(words)}"


def _version_in_words(fact: Values) -> str:
    targets, seasons = len(fact["body"]["target"]), len(fact["body"]["season"])
    words = f"of {targets} target{'s' if targets != 1 else ''}"
    return f"{words} and {seasons} season{'s' if seasons != 1 else ''}" if seasons else words


FACTS: Final = (
    FactKind(
        ProfileVersion, PROFILE, "profile_id", ("body",), lambda _: "set", _version_in_words,
        carried=("version",),
    ),
    FactKind(
        LightSchedule, ENCLOSURE, "enclosure_id", ("on", "off"), lambda _: "light schedule",
        lambda fact: f"{fact['on']:%H:%M} to {fact['off']:%H:%M}",
    ),
    FactKind(
        MistingSchedule, ENCLOSURE, "enclosure_id", ("cycles",), lambda _: "misting schedule", _cycles_in_words
    ),
    FactKind(
        ProfileAssignment, ENCLOSURE, "enclosure_id", ("profile_id",), lambda _: "profile",
        lambda fact: f'"{fact["profile_id"]}"', references={"profile_id": Profile},
    ),
    FactKind(
        TargetOverride, ENCLOSURE, "enclosure_id", ("check", "low", "high", "share", "reason"),
        lambda apart: f'override of "{apart["check"]}"', _override_in_words, apart=("check",), until_next=False,
    ),
    FactKind(
        Placement, CHANNEL, "channel_id", ("enclosure_id", "zone"), lambda _: "place",
        lambda fact: f'{fact["zone"]} of "{fact["enclosure_id"]}"', references={"enclosure_id": Enclosure},
    ),
    FactKind(
        Calibration, CHANNEL, "channel_id",
        ("reference", "reads", "uncertainty", "points", "checked_at", "done_by", "note"),
        lambda _: "reference check", _check_in_words,
        until_next=False, is_moment=True,
    ),
    FactKind(
        Housing, ANIMAL, "animal_id", ("enclosure_id",), lambda _: "housing",
        lambda fact: f'in "{fact["enclosure_id"]}"', references={"enclosure_id": Enclosure},
    ),
    FactKind(
        Equipment, ENCLOSURE, "enclosure_id", ("kind", "replace_after_months"), lambda apart: apart["kind"],
        _equipment_in_words, apart=("kind",), renews=True,
    ),
)  # fmt: skip
"""Every kind of dated fact, in the order in which a plan tells them."""

FACT_OF: Final[Mapping[type[DatedFact], FactKind]] = MappingProxyType({kind.model: kind for kind in FACTS})
"""The kind of each table."""
