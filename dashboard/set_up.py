"""Setting up from the screen: what stands as fields, and what was sent as a change of the room file."""

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time
from typing import Any, Final, TypeVar
from zoneinfo import ZoneInfo

from dashboard.since import since_in
from service.api.profile_saving import is_in_use
from service.errors import BadUse
from service.model import to_ms
from service.roomfile.editing import Document, entry
from service.roomfile.library import library
from service.roomfile.wanted import clock
from service.store.facts import EnclosureFact, RoomFacts
from service.store.since import Since

DATED: Final = ("profile", "lights", "misting")
"""What of an enclosure has a date from which it holds."""
_CYCLE_AT: Final = re.compile(r"m(\d{1,3})-at", re.ASCII)
_CLOCK: Final = re.compile(r"(?:[01]\d|2[0-3]):[0-5]\d(?::[0-5]\d)?")
_LONGEST_KEY: Final = 64
_Dated = TypeVar("_Dated", bound=Since)


@dataclass(frozen=True, slots=True)
class EnclosureFields:
    """The fields of an enclosure's form; every value is the text that stands in its field.

    `since` are the dates that were sent and could not be; a page that is fresh shows none.
    """

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
    since: Mapping[str, str]


def fields_of(enclosure: EnclosureFact | None, facts: RoomFacts, now: datetime) -> EnclosureFields:
    """Return the fields that show an enclosure as it is to be, or an empty form in the last room."""
    if enclosure is None:
        room = facts.rooms[-1].key if facts.rooms else ""
        return EnclosureFields("", "", room, "", "", "", "", "08:00", "20:00", rows_of_cycles(()), {})
    at_ms = to_ms(now)
    lights, misting = _newest(enclosure.lights, at_ms), _newest(enclosure.misting, at_ms)
    followed = _newest(enclosure.profiles, at_ms)
    cycles = [(clock(at), str(seconds)) for at, seconds in misting.cycles] if misting else []
    on, off = (clock(lights.on), clock(lights.off)) if lights and lights.on and lights.off else ("", "")
    return EnclosureFields(
        enclosure.key, enclosure.name, enclosure.room, enclosure.rack or "", _text(enclosure.level),
        _text(enclosure.slot), followed.profile if followed else "", on, off, rows_of_cycles(cycles), {},
    )  # fmt: skip


def sent_fields(form: Mapping[str, str], key: str) -> EnclosureFields:
    """Return the fields as they were sent, to be shown again."""
    names = ("name", "room", "rack", "level", "slot", "profile", "on", "off")
    said = {name: form.get(name, "") for name in names}
    since = {name: form.get(f"{name}-from", "") for name in DATED}
    cycles = [(at, form.get(f"m{number}-seconds", "")) for number, at in _sent_cycles(form)]
    return EnclosureFields(key=key or form.get("key", ""), cycles=rows_of_cycles(cycles), since=since, **said)


def rows_of_cycles(cycles: Iterable[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    """Return the rows of a form that show cycles, and two more."""
    return (*cycles, ("", ""), ("", ""))


def _newest(facts: Sequence[_Dated], at_ms: int) -> _Dated | None:
    """Return the last fact that is not over: what holds, or what will."""
    return next((fact for fact in reversed(facts) if fact.end_ms > at_ms), None)


def _text(value: int | None) -> str:
    return "" if value is None else str(value)


def profiles_offered(facts: RoomFacts, now: datetime) -> list[tuple[str, str]]:
    """Return (key, species) of every profile that an enclosure can follow."""
    own = {key: known[-1].species for key, known in facts.profile_versions.items() if is_in_use(facts, key, now)}
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
        own = form.get("id", "").strip()
        rooms.append({"id": own or key_for(name, {room["id"] for room in rooms}), "name": name})


def put_enclosure(
    document: Document, form: Mapping[str, str], key: str, now: datetime, zone: ZoneInfo
) -> tuple[str, list[datetime]]:
    """Add an enclosure, or change one; return its key, and since when what was changed holds where the form says so.

    What a form says of lights, misting and the profile holds from now on, or since the date that stands beside it;
    what it leaves as it was keeps its date, unless another stands there.

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
    values = {"profile": form.get("profile", "").strip() or None, "lights": _lights(form), "misting": _cycles(form)}
    dates = {name: since_in(form, f"{name}-from", f"{name}, since", now, zone) for name in DATED}
    for name, value in values.items():
        _put_dated(table, name, value or None, dates[name])
    return str(table["id"]), [at for at in dates.values() if at is not None]


def _put(table: Document, name: str, value: object) -> None:
    table.pop(name, None)
    if value is not None:
        table[name] = value


def _put_dated(table: Document, name: str, value: object, since: datetime | None) -> None:
    """Set a value that has a date: another value holds since that date, else from now on; the same one keeps its own.

    Raises
    ------
    BadUse
        There is a date, and nothing that could hold since then.
    """
    if since is not None and value is None:
        raise BadUse(f"{name}: a date stands there, but nothing that holds since then; what is taken away ends now")
    if table.get(name) != value:
        table.pop(f"{name}_from", None)
        _put(table, name, value)
    if since is not None:
        table[f"{name}_from"] = since


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
    for number, at in _sent_cycles(form):
        if at:
            seconds = form.get(f"m{number}-seconds", "").strip() or "30"
            found.append({"at": _clock(at, "misting"), "seconds": _whole(seconds, "seconds of misting")})
    return sorted(found, key=lambda cycle: str(cycle["at"]))


def _sent_cycles(form: Mapping[str, str]) -> list[tuple[int, str]]:
    """Return the number of each row of cycles that was sent, and its time."""
    rows = [(int(found[1]), at.strip()) for name, at in form.items() if (found := _CYCLE_AT.fullmatch(name))]
    return sorted(rows)


def _clock(text: str, what: str) -> str:
    if not _CLOCK.fullmatch(text):
        raise BadUse(f"{what}: {text[:20]!r} is no time of day; write it as in 07:30")
    return clock(time.fromisoformat(text))


def _whole(text: str, what: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) <= 6):  # noqa: PLR2004 - more digits than anything here has
        raise BadUse(f"{what}: {text[:20]!r} is no whole number")
    return int(text)
