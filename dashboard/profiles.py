"""The Profiles pages' content: every profile as the day that it asks for, one with its versions, and the editor."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any, Final

from markupsafe import Markup

from dashboard.profile_day import DayAsked, draw_day
from dashboard.words import clock, exact, limits, of_ms
from service.api.profile_saving import is_in_use, shipped_left
from service.api.profile_trial import as_version, followers
from service.climate.targets import CHECK_UNITS_AND_SHARES, SpeciesProfile, Target
from service.lookback.words import CHECK_NAMES, check_name
from service.model import to_ms
from service.roomfile.kinds import limits_in_words
from service.roomfile.profile_words import targets_in_words
from service.roomfile.sane_targets import Doubt, doubts_about
from service.roomfile.spec import ProfileSpec, TargetSpec
from service.store.facts import EnclosureFact, ProfileVersionFact, RoomFacts
from service.store.programme import species_profile, targets_at

NO_SOURCE: Final = "common practice, no source"
GROUPS: Final = (
    ("By day", ("hot-spot", "hot-spot-peak", "warm-up", "gradient", "cool-retreat", "photoperiod")),
    ("By night", ("night-drop", "night-floor", "night-ceiling")),
    ("Water", ("humidity-day", "humidity-night", "humidity-alarm", "humidity-spikes", "misting-cycles", "dry-down")),
    ("Eggs", ("incubation",)),
)
"""Every check, as a keeper thinks of a day."""
ONE_END: Final = {
    "hot-spot-peak": "high", "warm-up": "high", "cool-retreat": "high", "gradient": "low", "night-floor": "low",
    "night-ceiling": "high", "misting-cycles": "share",
}  # fmt: skip
"""Checks of which one end is usual: it is asked for first."""


@dataclass(frozen=True, slots=True)
class ProfileCard:
    """A profile in the list."""

    key: str
    species: str
    about: str
    day: Markup
    enclosures: tuple[tuple[str, str], ...]
    has_light_of: str


@dataclass(frozen=True, slots=True)
class TargetRow:
    """A target in words."""

    check: str
    name: str
    limits: str
    source: str
    is_sourced: bool
    doubts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class VersionView:
    """A version of a profile, and how it differs from the one before."""

    number: int
    since: str
    since_exact: str
    change: str
    is_now: bool
    by: str


@dataclass(frozen=True, slots=True)
class ProfileView:
    """One profile with its targets, seasons and versions."""

    card: ProfileCard
    groups: tuple[tuple[str, tuple[TargetRow, ...]], ...]
    seasons: tuple[tuple[str, str, tuple[TargetRow, ...]], ...]
    versions: tuple[VersionView, ...]
    notes: str


def cards(facts: RoomFacts, now: datetime) -> tuple[list[ProfileCard], list[ProfileCard]]:
    """Return the room's profiles, those that are followed first, and the shipped ones that it does not have."""
    there = [
        card_of(facts, key, _newest(facts, key, now), now)
        for key in sorted(facts.profile_versions)
        if is_in_use(facts, key, now)
    ]
    shipped = [card_of(facts, spec.id, as_version(spec), now) for spec in shipped_left(facts, now)]
    return sorted(there, key=lambda card: not card.enclosures), shipped


def _newest(facts: RoomFacts, key: str, now: datetime) -> ProfileVersionFact:
    return facts.profile_version_at(key, to_ms(now)) or facts.profile_versions[key][-1]


def card_of(
    facts: RoomFacts, key: str, version: ProfileVersionFact, now: datetime, *, written: bool = False
) -> ProfileCard:
    """Return a profile as a card; `written` names the limits on its picture."""
    kept = followers(facts, key, to_ms(now))
    profile = species_profile(version)
    targets, count = profile.targets, len(version.body["target"])
    seasons = len(version.body.get("season", []))
    about = f"{count} target{'' if count == 1 else 's'}" + (
        f", {seasons} season{'' if seasons == 1 else 's'}" if seasons else ""
    )
    if version.version:
        about = f"version {version.version}, {about}"
    lights, cycles = programme_of(kept, now)
    label = f"The day that {version.species} asks for"
    asked = DayAsked(targets, lights, cycles, now.astimezone(facts.zone).date(), facts.zone, label)
    return ProfileCard(
        key, version.species, about, draw_day(asked, written=written),
        tuple((one.key, one.name) for one in kept), kept[0].name if lights and kept else "",
    )  # fmt: skip


def programme_of(kept: list[EnclosureFact], now: datetime) -> tuple[tuple[time, time] | None, list[time]]:
    """Return lights and misting of the first enclosure that follows a profile and has lights."""
    at_ms = to_ms(now)
    for enclosure in kept:
        lights, misting = enclosure.lights_at(at_ms), enclosure.misting_at(at_ms)
        if lights:
            return (lights.on, lights.off), [at for at, _ in misting.cycles] if misting else []
    return None, []


def profile_view(facts: RoomFacts, key: str, now: datetime, authors: Mapping[int, str]) -> ProfileView:
    """Return one profile with everything that is known of it; `authors` entered its versions, by their numbers."""
    version = _newest(facts, key, now)
    body = version.body
    doubts = doubts_about([spec_of(target) for target in body["target"]])
    seasons = tuple(
        (season["name"], f"{_day(season['from'])} to {_day(season['until'])}", tuple(_rows(season["target"], [])))
        for season in body.get("season", [])
    )
    rows = {row.check: row for row in _rows(body["target"], doubts)}
    groups = tuple((name, tuple(rows[c] for c in checks if c in rows)) for name, checks in GROUPS)
    return ProfileView(
        card_of(facts, key, version, now, written=True), tuple(group for group in groups if group[1]), seasons,
        tuple(_versions(facts, key, now, authors)), body.get("notes") or "",
    )  # fmt: skip


def planned_words(facts: RoomFacts, key: str, now: datetime) -> str:
    """Return from when a version holds that is entered already and still to come; empty where there is none."""
    last = facts.profile_versions[key][-1]
    if last.start_ms <= to_ms(now):
        return ""
    return f"version {last.version}, from {clock(of_ms(last.start_ms), facts.zone, now)} on"


def _rows(targets: list[dict[str, Any]], doubts: list[Doubt]) -> list[TargetRow]:
    return [
        TargetRow(
            target["check"], check_name_of(target["check"]), target_words(target), target.get("source") or NO_SOURCE,
            (target.get("source") or NO_SOURCE) != NO_SOURCE,
            tuple(doubt.sentence for doubt in doubts if doubt.check == target["check"]),
        )
        for target in targets
    ]  # fmt: skip


def check_name_of(check: str) -> str:
    """Return a check in words; the alarm's own too."""
    return "Humidity that calls" if check not in CHECK_NAMES and check == "humidity-alarm" else check_name(check)


def target_words(target: Mapping[str, Any]) -> str:
    """Return what a target asks for in words."""
    check, share = target["check"], target.get("share")
    unit, usual = CHECK_UNITS_AND_SHARES[check]
    if unit in {"°C", "%RH"} and check not in {"gradient", "night-drop", "misting-cycles"}:
        words = limits(target.get("low"), target.get("high"), unit)
        asked = share if share is not None else usual
        return f"{words}, {100 * asked:g}\N{NO-BREAK SPACE}% of the time" if asked is not None and words else words
    return limits_in_words(check, target.get("low"), target.get("high"), share)


def spec_of(target: Mapping[str, Any]) -> TargetSpec:
    """Return a stored target as a room file's."""
    return TargetSpec(
        target["check"], target.get("low"), target.get("high"), target.get("share"), target.get("source") or ""
    )


def _versions(facts: RoomFacts, key: str, now: datetime, authors: Mapping[int, str]) -> list[VersionView]:
    known, views = facts.profile_versions[key], []
    in_force = facts.profile_version_at(key, to_ms(now))
    for before, version in zip([None, *known], known, strict=False):
        since = of_ms(version.start_ms)
        change = targets_in_words(before.body, version.body) if before else "the first"
        is_first = since.year <= 2000  # noqa: PLR2004 - the beginning of all facts
        views.append(
            VersionView(
                version.version, "the beginning" if is_first else clock(since, facts.zone, now),
                "" if is_first else exact(since, facts.zone), change, version is in_force,
                authors.get(version.version, ""),
            )
        )  # fmt: skip
    return views[::-1]


def _day(text: str) -> str:
    """Return ``11-15`` as ``15 Nov``."""
    at = date(2024, int(text[:2]), int(text[3:]))
    return f"{at.day} {at:%b}"


def draft_day(facts: RoomFacts, draft: ProfileSpec, now: datetime) -> Markup:
    """Return the day that a draft asks for, drawn large."""
    kept = followers(facts, draft.id, to_ms(now))
    lights, cycles = programme_of(kept, now)
    targets: Mapping[str, Target] = profile_of(draft).targets
    label = f"The day that this draft of {draft.species} asks for"
    asked = DayAsked(targets, lights, cycles, now.astimezone(facts.zone).date(), facts.zone, label)
    return draw_day(asked, written=True)


def enclosure_day(facts: RoomFacts, enclosure: EnclosureFact, now: datetime) -> Markup | None:
    """Return the day that is asked of an enclosure now, drawn large; None where it follows no profile."""
    at_ms = to_ms(now)
    followed = enclosure.profile_at(at_ms)
    version = facts.profile_version_at(followed, at_ms) if followed else None
    if version is None:
        return None
    lights, misting = enclosure.lights_at(at_ms), enclosure.misting_at(at_ms)
    hours = (lights.on, lights.off) if lights else None
    cycles = [at for at, _ in misting.cycles] if misting else []
    day = now.astimezone(facts.zone).date()
    label = f"The day that is asked of {enclosure.name}: its lights, its misting, and what {version.species} needs"
    return draw_day(DayAsked(targets_at(facts, enclosure, at_ms), hours, cycles, day, facts.zone, label), written=True)


def profile_of(draft: ProfileSpec) -> SpeciesProfile:
    """Return a draft as the checks take it."""
    return species_profile(as_version(draft))
