"""The form of the profile editor: from a profile to fields, and from what was sent to a draft."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from dashboard.profiles import GROUPS, NO_SOURCE, check_name_of
from dashboard.since import since_in
from service.climate.targets import CHECK_UNITS_AND_SHARES
from service.errors import BadUse

_SEASON: Final = re.compile(r"(s\d{1,3}-).*", re.ASCII)
FOLLOWS_THE_SUN: Final = "photoperiod"
"""The check whose target may be the day length of a latitude."""
_NUMBER: Final = re.compile(r"[+-]?\d{1,6}(?:[.,]\d{1,12})?")
_UNITS: Final = {"a day": "a day", "h": "h", "min": "min"}


@dataclass(frozen=True, slots=True)
class FieldRow:
    """A check's row of fields; every value is the text that stands in its field."""

    check: str
    name: str
    unit: str
    has_limits: bool
    has_share: bool
    low: str
    high: str
    share: str
    usual_share: str
    source: str
    has_latitude: bool
    latitude: str


@dataclass(frozen=True, slots=True)
class SeasonFields:
    """The fields of a season; `prefix` begins the names of its rows."""

    prefix: str
    name: str
    first: str
    last: str
    groups: tuple[tuple[str, tuple[FieldRow, ...]], ...]
    is_empty: bool


@dataclass(frozen=True, slots=True)
class ProfileFields:
    """Everything in the form."""

    key: str
    species: str
    notes: str
    groups: tuple[tuple[str, tuple[FieldRow, ...]], ...]
    seasons: tuple[SeasonFields, ...]
    sources: tuple[str, ...]
    since: str


def fields_of(key: str, species: str, body: Mapping[str, Any], since: str = "") -> ProfileFields:
    """Return the fields that show a profile, with one empty season at the end; `since` as its field holds it."""
    stored = list(body.get("season", []))
    seasons = [
        SeasonFields(
            f"s{number}-", season["name"], season["from"], season["until"],
            _groups(f"s{number}-", season["target"]), not season["name"],
        )
        for number, season in enumerate([*stored, {"name": "", "from": "", "until": "", "target": []}])
    ]  # fmt: skip
    every = [target for part in (body, *stored) for target in part["target"]]
    sources = dict.fromkeys([NO_SOURCE, *(target.get("source") or NO_SOURCE for target in every)])
    return ProfileFields(
        key, species, body.get("notes") or "", _groups("", body["target"]), tuple(seasons), tuple(sources),
        since,
    )  # fmt: skip


def _groups(prefix: str, targets: list[Mapping[str, Any]]) -> tuple[tuple[str, tuple[FieldRow, ...]], ...]:
    there = {target["check"]: target for target in targets}
    return tuple((name, tuple(_row(prefix, c, there.get(c)) for c in checks)) for name, checks in GROUPS)


def _row(prefix: str, check: str, target: Mapping[str, Any] | None) -> FieldRow:
    unit, usual = CHECK_UNITS_AND_SHARES[check]
    said = target or {}
    share = said.get("share")
    return FieldRow(
        f"{prefix}{check}", check_name_of(check), _UNITS.get(unit, unit), check != "misting-cycles", usual is not None,
        _written(said.get("low")), _written(said.get("high")), "" if share is None else f"{100 * share:.12g}",
        "" if usual is None else f"{100 * usual:g}", (said.get("source") or NO_SOURCE) if target else "",
        check == FOLLOWS_THE_SUN, _written(said.get("latitude")),
    )  # fmt: skip


def _written(value: float | None) -> str:
    return "" if value is None else f"{value:.12g}"


def table_of(form: Mapping[str, str], key: str, now: datetime, zone: ZoneInfo) -> dict[str, Any]:
    """Return what was sent as a `[[profile]]` of a room file.

    Raises
    ------
    BadUse
        A field that should be a number, or a date, is none.
    """
    table: dict[str, Any] = {"id": key, "species": form.get("species", "").strip()}
    if notes := form.get("notes", "").replace("\r\n", "\n").strip():
        table["notes"] = notes
    if (since := since_in(form, "since", "holds since", now, zone)) is not None:
        table["from"] = since
    if targets := list(_targets(form, "")):
        table["target"] = targets
    seasons = list(_seasons(form))
    return table | ({"season": seasons} if seasons else {})


def _seasons(form: Mapping[str, str]) -> Iterator[dict[str, Any]]:
    prefixes = dict.fromkeys(found[1] for name in form if (found := _SEASON.fullmatch(name)))
    for number, prefix in enumerate(prefixes):
        name = form.get(f"{prefix}name", "").strip()
        targets = list(_targets(form, prefix))
        dates = {"from": form.get(f"{prefix}from", "").strip(), "until": form.get(f"{prefix}until", "").strip()}
        if name or targets or any(dates.values()):
            yield {"name": name or f"season {number + 1}", **dates, "target": targets}


def _targets(form: Mapping[str, str], prefix: str) -> Iterator[dict[str, Any]]:
    for check in CHECK_UNITS_AND_SHARES:
        stem = f"{prefix}{check}"
        low, high, share = (_number(form, f"{stem}-{end}", check) for end in ("low", "high", "share"))
        latitude = _number(form, f"{stem}-latitude", check) if check == FOLLOWS_THE_SUN else None
        if low is None and high is None and share is None and latitude is None:
            continue
        source = " ".join(form.get(f"{stem}-source", "").split()) or NO_SOURCE
        limits = {"low": low, "high": high, "share": None if share is None else share / 100, "latitude": latitude}
        yield {"check": check, **{name: end for name, end in limits.items() if end is not None}, "source": source}


def _number(form: Mapping[str, str], name: str, check: str) -> float | None:
    text = form.get(name, "").strip().replace("\N{MINUS SIGN}", "-")
    if not text:
        return None
    if not _NUMBER.fullmatch(text):
        raise BadUse(f"{check_name_of(check)}: {text[:20]!r} is no number; write it as in 31.5, or leave it empty")
    return float(text.replace(",", "."))
