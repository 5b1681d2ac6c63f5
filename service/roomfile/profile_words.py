"""How one version of a profile differs from another, in words."""

from collections.abc import Iterable, Mapping
from typing import Any

from service.roomfile.kinds import limits_in_words

_YEAR_ROUND = ""


def targets_in_words(before: Mapping[str, Any], after: Mapping[str, Any]) -> str:
    """Return what changed between two bodies of `service.model.ProfileVersion`, target by target."""
    old, new = _targets(before), _targets(after)
    words: list[str] = []
    for place in dict.fromkeys([*old, *new]):
        was, becomes = old.get(place), new.get(place)
        if was != becomes:
            words.append(_difference(place, was, becomes))
    if not words:
        words.append("seasons' dates, sources or notes")
    return "; ".join(words)


def _targets(body: Mapping[str, Any]) -> dict[tuple[str, str], str]:
    """Return each target in words, by season and check."""
    seasons: Iterable[tuple[str, Any]] = [
        (_YEAR_ROUND, body["target"]),
        *((season["name"], season["target"]) for season in body["season"]),
    ]
    return {(season, target["check"]): _target_in_words(target) for season, targets in seasons for target in targets}


def _target_in_words(target: Mapping[str, Any]) -> str:
    limits = limits_in_words(target["check"], target["low"], target["high"], target["share"])
    if target.get("latitude") is None:
        return limits
    return f"the day length at latitude {target['latitude']:g}{', ' if limits else ''}{limits}"


def _difference(place: tuple[str, str], was: str | None, becomes: str | None) -> str:
    season, check = place
    where = f"{check} in {season}" if season else check
    if was is None:
        return f"{where} {becomes} is new"
    return f"{where} {was} becomes {becomes}" if becomes is not None else f"{where} {was} is dropped"
