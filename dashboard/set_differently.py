"""One target of one enclosure, set differently for a while: what is set, and what a form sets."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from dashboard.local_forms import when
from dashboard.number_fields import number_written
from dashboard.profiles import check_name_of, target_words
from dashboard.since import instant_in, since_in
from dashboard.words import iso, of_ms
from service.errors import BadUse
from service.model import to_ms
from service.roomfile.editing import Document, entry
from service.roomfile.sane_targets import doubts_about
from service.roomfile.spec import TargetSpec
from service.store.facts import EnclosureFact, RoomFacts
from service.store.readings import END_OF_TIME

_A_DATE: Final = len("2026-03-10")
_NUMBER: Final = re.compile(r"-?\d{1,6}(?:[.,]\d{1,4})?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Override:
    """What is set differently now, or will be; `begins` tells several of one check from each other."""

    check: str
    name: str
    words: str
    since: str
    until: str
    reason: str
    begins: str


def overrides_of(enclosure: EnclosureFact, facts: RoomFacts, now: datetime) -> list[Override]:
    """Return what is set differently in an enclosure, and is not over."""
    at_ms = to_ms(now)
    return [
        Override(
            one.check, check_name_of(one.check),
            target_words({"check": one.check, "low": one.low, "high": one.high, "share": one.share}),
            when(of_ms(one.start_ms), facts, now),
            "" if one.end_ms == END_OF_TIME else when(of_ms(one.end_ms), facts, now), one.reason,
            iso(of_ms(one.start_ms)),
        )
        for one in enclosure.overrides
        if one.end_ms > at_ms
    ]  # fmt: skip


def put_override(
    document: Document, form: Mapping[str, str], key: str, now: datetime, zone: ZoneInfo
) -> list[datetime]:
    """Set one target of an enclosure differently for a while, with the reason; return since when, where the form says.

    It comes in the place of what is set for that check from then on; what ends before, or begins after, stays.

    Raises
    ------
    BadUse
        A field cannot be read, or nothing could ever meet the target.
    """
    table = entry(document, "enclosure", key)
    since = since_in(form, "since", "since", now, zone)
    fresh: Document = {"check": form.get("check", "")} | _limits(form)
    fresh |= {"from": since or now, "reason": " ".join(form.get("reason", "").split())}
    if (end := _end(form, zone)) is not None:
        fresh["until"] = end
    _require_possible(fresh)
    left = [piece for one in table.get("override", []) for piece in _beside(one, fresh)]
    table["override"] = [*left, fresh]
    return [] if since is None else [since]


def end_override(document: Document, key: str, check: str, begins: str) -> None:
    """Let the profile's own target hold again from now on; `begins` says of several spans which one, empty all.

    Raises
    ------
    BadUse
        It is not set differently.
    """
    table = entry(document, "enclosure", key)
    there = table.get("override", [])
    left = [one for one in there if one["check"] != check or (begins and iso(one["from"]) != begins)]
    if len(left) == len(there):
        raise BadUse(f"{check[:40]!r} is not set differently any more; load the page again")
    table["override"] = left


def _limits(form: Mapping[str, str]) -> Document:
    limits = {
        name: number_written(text, _NUMBER, name) for name in ("low", "high") if (text := form.get(name, "").strip())
    }
    if text := form.get("share", "").strip():
        limits["share"] = number_written(text, _NUMBER, "per cent of the time") / 100
    return limits


def _require_possible(fresh: Mapping[str, Any]) -> None:
    spec = TargetSpec(fresh["check"], fresh.get("low"), fresh.get("high"), fresh.get("share"), "")
    for doubt in doubts_about([spec]):
        if doubt.is_impossible:
            raise BadUse(f"{check_name_of(spec.check)}: {doubt.sentence}")


def _beside(one: Document, fresh: Document) -> list[Document]:
    """Return what stays of an override beside a fresh one."""
    start, end = one["from"], one.get("until")
    is_apart = (end is not None and end <= fresh["from"]) or ("until" in fresh and start >= fresh["until"])
    if one["check"] != fresh["check"] or is_apart:
        return [one]
    return [one | {"until": fresh["from"]}] if start < fresh["from"] else []


def _end(form: Mapping[str, str], zone: ZoneInfo) -> datetime | None:
    """Return when it ends, None where it does not: a date alone is the end of that local day."""
    end = instant_in(form, "until", "until", zone)
    if end is None or len(form["until"].strip()) > _A_DATE:
        return end
    return datetime.combine(end.date() + timedelta(days=1), time(), zone)
