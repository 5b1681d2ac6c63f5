"""Setting up from the screen: what stands as fields, and what was sent as a change of the room file."""

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from service.errors import BadUse
from service.model import to_ms
from service.roomfile.editing import Document, entry
from service.roomfile.library import library
from service.store.facts import EnclosureFact, RoomFacts

MOST_CYCLES: Final = 8
_CLOCK: Final = re.compile(r"(?:[01]\d|2[0-3]):[0-5]\d(?::[0-5]\d)?")
_LONGEST_KEY: Final = 64


@dataclass(frozen=True, slots=True)
class EnclosureFields:
    """The fields of an enclosure's form; every value is the text that stands in its field."""

    key: str
    name: str
    room: str
    rack: str
    level: str
    slot: str
    profile: str
    on: str
    off: str
    cycles: tuple[tuple[str, str], ...]


def fields_of(enclosure: EnclosureFact | None, facts: RoomFacts, now: datetime) -> EnclosureFields:
    """Return the fields that show an enclosure, or an empty form in the last room."""
    empty = (("", ""),) * 2
    if enclosure is None:
        room = facts.rooms[-1].key if facts.rooms else ""
        return EnclosureFields("", "", room, "", "", "", "", "08:00", "20:00", empty)
    at_ms = to_ms(now)
    lights, misting = enclosure.lights_at(at_ms), enclosure.misting_at(at_ms)
    cycles = tuple((f"{at:%H:%M}", str(seconds)) for at, seconds in misting.cycles) if misting else ()
    on, off = (f"{getattr(lights, name):%H:%M}" if getattr(lights, name, None) else "" for name in ("on", "off"))
    return EnclosureFields(
        enclosure.key, enclosure.name, enclosure.room, enclosure.rack or "", _text(enclosure.level),
        _text(enclosure.slot), enclosure.profile_at(at_ms) or "", on, off, (*cycles, *empty)[:MOST_CYCLES],
    )  # fmt: skip


def _text(value: int | None) -> str:
    return "" if value is None else str(value)


def profiles_offered(facts: RoomFacts) -> list[tuple[str, str]]:
    """Return (key, species) of every profile that an enclosure can follow."""
    own = {key: versions[-1].species for key, versions in facts.profile_versions.items() if versions}
    shipped = {key: spec.species for key, spec in library().items()}
    return sorted((shipped | own).items(), key=lambda pair: pair[1])


def key_for(name: str, taken: Mapping[str, Any] | set[str]) -> str:
    """Return a key made of a name, one that nothing has yet: ``Day geckos 1`` is ``day-geckos-1``."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    stem = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[: _LONGEST_KEY - 4] or "enclosure"
    number, key = 2, stem
    while key in taken:
        key, number = f"{stem}-{number}", number + 1
    return key


def put_site(document: Document, form: Mapping[str, str]) -> None:
    """Name the site and its time zone; without a room, its first."""
    document["site"] = {"name": form.get("name", "").strip(), "timezone": form.get("timezone", "").strip()}
    if form.get("room", "").strip():
        put_room(document, form)


def put_room(document: Document, form: Mapping[str, str]) -> None:
    """Add a room, or give one another name."""
    name, key = form.get("room", "").strip(), form.get("key", "")
    if not name:
        raise BadUse("a room has a name: write one")
    rooms = document.setdefault("room", [])
    if key:
        entry(document, "room", key)["name"] = name
    else:
        rooms.append({"id": key_for(name, {room["id"] for room in rooms}), "name": name})


def put_enclosure(document: Document, form: Mapping[str, str], key: str) -> str:
    """Add an enclosure, or change one; return its key.

    What a form says of lights, misting and the profile holds from now on; what it leaves as it was keeps its dates.

    Raises
    ------
    BadUse
        A field cannot be read.
    """
    enclosures = document.setdefault("enclosure", [])
    name = " ".join(form.get("name", "").split())
    if not name:
        raise BadUse("an enclosure has a name: write what its door says")
    if key:
        table = entry(document, "enclosure", key)
    else:
        table = {"id": form.get("key", "").strip() or key_for(name, {one["id"] for one in enclosures})}
        enclosures.append(table)
    table |= {"name": name, "room": form.get("room", "")}
    _put(table, "place", _place(form))
    _put_dated(table, "profile", form.get("profile", "").strip() or None)
    lights = _lights(form)
    if lights is not None or "on" in (table.get("lights") or {"on": ""}):
        _put_dated(table, "lights", lights)
    _put_dated(table, "misting", _cycles(form) or None)
    return str(table["id"])


def put_override(document: Document, form: Mapping[str, str], key: str, now: datetime, zone: ZoneInfo) -> None:
    """Set one target of an enclosure differently for a while, with the reason.

    Raises
    ------
    BadUse
        A field cannot be read.
    """
    table = entry(document, "enclosure", key)
    fresh: Document = {"check": form.get("check", "")}
    for name in ("low", "high"):
        if text := form.get(name, "").strip():
            fresh[name] = _number(text, name)
    if text := form.get("share", "").strip():
        fresh["share"] = _number(text, "per cent of the time") / 100
    fresh |= {"from": now, "reason": " ".join(form.get("reason", "").split())}
    if text := form.get("until", "").strip():
        fresh["until"] = _evening(text, zone)
    others = [one for one in table.get("override", []) if one["check"] != fresh["check"] or _is_over(one, now)]
    table["override"] = [*others, fresh]


def end_override(document: Document, key: str, check: str) -> None:
    """Let the profile's own target hold again from now on."""
    table = entry(document, "enclosure", key)
    left = [one for one in table.get("override", []) if one["check"] != check]
    if len(left) == len(table.get("override", [])):
        raise BadUse(f"{check[:40]!r} is not set differently any more; load the page again")
    table["override"] = left


def _is_over(override: Mapping[str, Any], now: datetime) -> bool:
    return override.get("until") is not None and override["until"] <= now


def _evening(text: str, zone: ZoneInfo) -> datetime:
    """Return the end of a local day."""
    try:
        day = date.fromisoformat(text)
    except ValueError as exc:
        raise BadUse(f"until: {text[:20]!r} is no date; write for example 2026-03-10") from exc
    return datetime.combine(day + timedelta(days=1), time(), zone)


def _number(text: str, what: str) -> float:
    if not re.fullmatch(r"-?\d{1,6}(?:[.,]\d{1,4})?", text, re.ASCII):
        raise BadUse(f"{what}: {text[:20]!r} is no number")
    return float(text.replace(",", "."))


def _put(table: Document, name: str, value: object) -> None:
    table.pop(name, None)
    if value is not None:
        table[name] = value


def _put_dated(table: Document, name: str, value: object) -> None:
    """Set a value that has a date: another value holds from now on, the same one keeps its date."""
    if table.get(name) != value:
        table.pop(f"{name}_from", None)
        _put(table, name, value)


def _place(form: Mapping[str, str]) -> dict[str, object] | None:
    rack, level, slot = (form.get(name, "").strip() for name in ("rack", "level", "slot"))
    if not (rack or level or slot):
        return None
    if not (rack and level and slot):
        raise BadUse("a place is a rack, a level and a slot: fill in all three, or none")
    return {"rack": rack, "level": _whole(level, "level"), "slot": _whole(slot, "slot")}


def _lights(form: Mapping[str, str]) -> dict[str, str] | None:
    on, off = form.get("on", "").strip(), form.get("off", "").strip()
    if not on and not off:
        return None
    return {"on": _clock(on, "lights on"), "off": _clock(off, "lights off")}


def _cycles(form: Mapping[str, str]) -> list[dict[str, object]]:
    found: list[dict[str, object]] = []
    for number in range(MOST_CYCLES):
        at, seconds = form.get(f"m{number}-at", "").strip(), form.get(f"m{number}-seconds", "").strip()
        if at:
            found.append({"at": _clock(at, "misting"), "seconds": _whole(seconds or "30", "seconds of misting")})
    return sorted(found, key=lambda cycle: str(cycle["at"]))


def _clock(text: str, what: str) -> str:
    if not _CLOCK.fullmatch(text):
        raise BadUse(f"{what}: {text[:20]!r} is no time of day; write it as in 07:30")
    return text


def _whole(text: str, what: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) <= 6):  # noqa: PLR2004 - more digits than anything here has
        raise BadUse(f"{what}: {text[:20]!r} is no whole number")
    return int(text)
