"""Write what is in force as a room file."""

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import Any

from sqlmodel import Session, SQLModel

from sensors.payloads.naming import level_of
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
from service.roomfile.library import library
from service.roomfile.spec import BEGINNING
from service.roomfile.standing import Standing, load_standing
from service.roomfile.timeline import Stored
from service.roomfile.toml_text import pairs
from service.store.reference_checks import point_values

_HEADING = """\
# The room as it stands. Applying this file to the store that it came from changes nothing;
# applying it to an empty one makes the same room. What is over is not in here: that stays in the store.
"""
_KEEP_PRIVATE = """\
# The routes below are secrets: whoever reads them can write in your name, or to you. Keep this file private.
"""
_SECTION = "\n\n# {}\n"


def export_room_file(session: Session, now: datetime | None = None) -> str:
    """Return what is in force, and what is to come, as the text of a room file.

    Parameters
    ----------
    session : Session
        To read from.
    now : datetime, optional
        What ended before is left out; the present moment where it is not given.

    Returns
    -------
    str
        TOML. It holds the contacts' routes, which are secrets, and says so.
    """
    return _Export(load_standing(session), now or datetime.now(UTC)).text()


class _Export:
    """One export: what stands, as of a moment."""

    def __init__(self, standing: Standing, now: datetime) -> None:
        self._standing = standing
        self._in_force: dict[tuple[type[DatedFact], str | int], list[Stored]] = {}
        for model, facts in standing.facts.items():
            for fact in facts:
                if fact.stored.until_at is None or fact.stored.until_at > now:
                    self._in_force.setdefault((model, fact.owner), []).append(fact.stored)

    def text(self) -> str:
        sections = (
            ("Rooms", self._rooms()),
            ("Enclosures", self._enclosures()),
            ("Probes", self._probes()),
            ("Reference checks", self._calibrations()),
            ("Species profiles", self._profiles()),
            ("Animals", self._animals()),
            ("Equipment", self._equipment()),
            ("Care", self._care()),
            ("Who is told", self._contacts()),
            ("Who is told next", self._escalations()),
        )
        parts = [_HEADING, self._site()]
        for title, tables in sections:
            if written_tables := list(tables):
                parts.append(_SECTION.format(title) + "\n".join(written_tables))
        return "".join(parts)

    def _things(self, model: type[SQLModel]) -> Iterator[tuple[Any, dict[str, Any]]]:
        for key, thing in self._standing.things[model].items():
            if thing.retired_at is None:
                yield key, thing.values

    def _facts(self, model: type[DatedFact], owner: str) -> list[Stored]:
        """Return the facts about a thing that are not over."""
        return self._in_force.get((model, owner), [])

    def _last(self, model: type[DatedFact], owner: str) -> Stored | None:
        return next(reversed(self._facts(model, owner)), None)

    def _site(self) -> str:
        site = next((thing.values for thing in self._standing.things[Site].values()), {"name": "", "timezone": "UTC"})
        return "\n" + _table("[site]", site)

    def _rooms(self) -> Iterator[str]:
        for key, values in self._things(Room):
            yield _table("[[room]]", {"id": key, **values})

    def _enclosures(self) -> Iterator[str]:
        for key, values in self._things(Enclosure):
            lights, misting = self._last(LightSchedule, key), self._last(MistingSchedule, key)
            followed = self._last(ProfileAssignment, key)
            place = {name: values[name] for name in ("rack", "level", "slot")}
            head = _table(
                "[[enclosure]]",
                {
                    "id": key,
                    "name": values["name"],
                    "room": values["room_id"],
                    "place": None if None in place.values() else place,
                    "profile": followed and followed.content["profile_id"],
                    "profile_from": _since(followed),
                    "lights": lights and lights.content,
                    "lights_from": _since(lights),
                    "misting": misting and [{"at": at, "seconds": s} for at, s in misting.content["cycles"]],
                    "misting_from": _since(misting),
                },
            )
            yield head + "".join(self._overrides(key))

    def _overrides(self, enclosure: str) -> Iterator[str]:
        for fact in sorted(self._facts(TargetOverride, enclosure), key=lambda fact: fact.content["check"]):
            limits = {name: fact.content[name] for name in ("check", "low", "high", "share")}
            dates = {"from": fact.from_at, "until": fact.until_at}
            yield "\n" + _table("[[enclosure.override]]", {**limits, **dates, "reason": fact.content["reason"]})

    def _probes(self) -> Iterator[str]:
        channels = list(self._things(Channel))
        for key, values in self._things(Probe):
            head = {
                "id": key,
                "model": values["model"],
                "topic": values["topic"],
                "format": values["format"],
                "every": values["every_s"],
                "time": values["time_pointer"],
                "each": values["each_pointer"],
                "called": values["called"],
                "called_at": _level_or_place(values["called_at"]),
            }
            own = [(name, channel) for name, channel in channels if channel["probe_id"] == key]
            where = "name" if values["format"] == "senml" else "pointer"
            tables = [table for name, channel in own for table in self._channel(name, channel, where)]
            yield _table("[[probe]]", head) + "".join(f"\n{table}" for table in tables)

    def _channel(self, key: str, values: Mapping[str, Any], where: str) -> Iterator[str]:
        """Yield a table for each place of a channel, or one for a channel that stands nowhere."""
        head = {"quantity": values["quantity"], where: values["pointer"], "unit": values["unit"]}
        head |= _figures(values["figures"])
        places = self._facts(Placement, key)
        for fact in places:
            place = {"enclosure": fact.content["enclosure_id"], "zone": fact.content["zone"]}
            yield _table("[[probe.channel]]", {**head, **place, "from": _since(fact), "until": fact.until_at})
        if not places:
            yield _table("[[probe.channel]]", head)

    def _calibrations(self) -> Iterator[str]:
        for key, values in self._things(Channel):
            for fact in self._facts(Calibration, key):
                yield _calibration(values, fact)

    def _profiles(self) -> Iterator[str]:
        followed = {
            fact.content["profile_id"]
            for enclosure, _ in self._things(Enclosure)
            for fact in self._facts(ProfileAssignment, enclosure)[-1:]
        }
        for key, values in self._things(Profile):
            version = self._last(ProfileVersion, key)
            if version is None:
                continue
            shipped = library().get(key)
            body = version.content["body"]
            is_shipped = shipped is not None and (shipped.body(), shipped.species) == (body, values["species"])
            if not (is_shipped and key in followed):
                yield _profile(key, values["species"], body, _since(version))

    def _animals(self) -> Iterator[str]:
        for key, values in self._things(Animal):
            members = None if values["members"] == 1 else values["members"]
            head = _table("[[animal]]", {"name": key, **values, "members": members})
            yield head + "".join(
                "\n" + _table("[[animal.housing]]", {**_housing(fact), "from": fact.from_at, "until": fact.until_at})
                for fact in self._facts(Housing, key)
            )

    def _equipment(self) -> Iterator[str]:
        for key, _ in self._things(Enclosure):
            for fact in sorted(self._facts(Equipment, key), key=lambda fact: fact.content["kind"]):
                piece = {"enclosure": key, "kind": fact.content["kind"], "installed": fact.from_at}
                yield _table("[[equipment]]", {**piece, "replace_after_months": fact.content["replace_after_months"]})

    def _care(self) -> Iterator[str]:
        stands = {key for key, _ in self._things(Enclosure)} | {None}
        for task in self._standing.care:
            if task.enclosure in stands:
                when = {"every_days": task.every_days, "first_due": task.first_due}
                yield _table("[[care]]", {"what": task.what, "enclosure": task.enclosure, **when})

    def _contacts(self) -> Iterator[str]:
        heading = _KEEP_PRIVATE
        for key, values in self._things(Contact):
            yield heading + _table("[[contact]]", {"name": key, **values})
            heading = ""

    def _escalations(self) -> Iterator[str]:
        for key, values in sorted(self._things(Escalation)):
            yield _table("[[escalation]]", {"step": key, **values})


def _level_or_place(called_at: str | None) -> int | str | None:
    """Return where a name stands as the file says it: a level of the topic is a whole number."""
    return called_at if called_at is None else level_of(called_at) or called_at


def _figures(stored: Mapping[str, Any] | None) -> dict[str, Any]:
    """Return a keeper's own figures by the file's keys."""
    if stored is None:
        return {}
    ends = [stored.get("low"), stored.get("high")]
    return {
        "accuracy": stored["accuracy"],
        "resolution": stored.get("resolution"),
        "range": None if None in ends else ends,
        "response": stored.get("response_s"),
        "source": stored.get("source"),
    }


def _table(header: str, values: Mapping[str, object]) -> str:
    return "\n".join([header, *pairs(values)]) + "\n"


def _since(fact: Stored | None) -> datetime | None:
    """Return when a fact began, None where that need not be written."""
    return None if fact is None or fact.from_at == BEGINNING else fact.from_at


def _calibration(channel: Mapping[str, Any], fact: Stored) -> str:
    said = fact.content
    made, points = said["checked_at"], said["points"]
    figures = {} if points else {name: said[name] for name in ("reference", "reads", "uncertainty")}
    head = {
        "probe": channel["probe_id"],
        "quantity": channel["quantity"],
        "at": made or fact.from_at,
        "from": fact.from_at if made else None,
        **figures,
        "by": said["done_by"],
        "note": said["note"],
    }
    tables = [_table("[[calibration.point]]", point_values(point)) for point in points or ()]
    return "\n".join([_table("[[calibration]]", head), *tables])


def _housing(fact: Stored) -> dict[str, object]:
    return {"enclosure": fact.content["enclosure_id"]}


def _profile(key: str, species: str, body: Mapping[str, Any], since: datetime | None) -> str:
    head = {"id": key, "species": species, "notes": body["notes"] or None, "from": since}
    parts = [_table("[[profile]]", head)]
    parts += [_table("[[profile.target]]", target) for target in body["target"]]
    for season in body["season"]:
        window = {name: season[name] for name in ("name", "from", "until")}
        parts.append(_table("[[profile.season]]", window))
        parts += [_table("[[profile.season.target]]", target) for target in season["target"]]
    return "\n".join(parts)
