"""The part of a room file about species profiles and their targets."""

import re
from datetime import date
from typing import Final

from service.climate.targets import CHECK_UNITS_AND_SHARES, LARGEST_LATITUDE
from service.roomfile.nodes import Node, report_twice
from service.roomfile.spec import ProfileSpec, SeasonSpec, TargetSpec

_A_LEAP_YEAR: Final = 2024
_MONTH_AND_DAY: Final = re.compile(r"\d\d-\d\d", re.ASCII)
_BY_SHARE_ALONE: Final = frozenset({"misting-cycles"})


def read_profile(node: Node) -> ProfileSpec:
    """Read a `[[profile]]`, with its targets and seasons."""
    identity = node.identity() or ""
    species, notes = node.text("species", required=True), node.text("notes")
    starts = node.instant("from")
    targets = _targets(node)
    season_nodes = node.tables("season", "name")
    seasons = [_season(season) for season in season_nodes]
    names = [season.name or None for season in seasons]
    report_twice(season_nodes, names, lambda name, line: f'season "{name}" is there already, in line {line}')
    if not targets and not node.has("target"):
        node.problem("has no target; add a [[profile.target]] for each check that the species needs")
    node.finish()
    return ProfileSpec(identity, species or "", notes or "", starts, targets, tuple(seasons))


def _targets(node: Node) -> tuple[TargetSpec, ...]:
    nodes = node.tables("target", "check")
    targets = [_target(target) for target in nodes]
    checks = [target.check or None for target in targets]
    report_twice(nodes, checks, lambda _, line: f"has a target already, in line {line}; keep one")
    return tuple(targets)


def _target(node: Node) -> TargetSpec:
    latitude = _latitude(node)
    check, low, high, share = read_limits(node, open_ends=latitude is not None)
    source = node.text("source")
    if not node.has("source"):
        node.problem('key "source" is missing; name where the figure stands, or write "common practice, no source"')
    node.finish()
    return TargetSpec(check or "", low, high, share, source or "", latitude)


def _latitude(node: Node) -> float | None:
    """Read the latitude whose day length a photoperiod follows."""
    latitude = node.number("latitude")
    if latitude is not None and abs(latitude) > LARGEST_LATITUDE:
        return node.problem(
            f'"latitude" is {latitude:g}, expected -66 to 66; nearer the poles some days have no sunrise', "latitude"
        )
    if latitude is not None and node.raw("check") != "photoperiod":
        node.problem('only check "photoperiod" follows the sun; leave "latitude" out', "latitude")
    return latitude


def read_limits(node: Node, *, open_ends: bool = False) -> tuple[str | None, float | None, float | None, float | None]:
    """Read check, low, high and share of a target or an override, and note what could never be met, or always is."""
    check = node.word("check", "check", CHECK_UNITS_AND_SHARES)
    low, high = node.number("low"), node.number("high")
    share = node.number("share", above=0.0, most=1.0)
    if low is not None and high is not None and low > high:
        node.problem(f'"low" is {low:g}, above "high", {high:g}', "low")
    if check in _BY_SHARE_ALONE:
        if node.has("low") or node.has("high") or not node.has("share"):
            node.problem(f'check "{check}" takes "share" alone, the share of the cycles, above 0 to 1')
    elif not (open_ends or node.has("low") or node.has("high")):
        node.problem('has neither "low" nor "high"; give at least one')
    if check is not None and share is not None and CHECK_UNITS_AND_SHARES[check][1] is None:
        node.problem(f'check "{check}" is no share of time; leave "share" out', "share")
    return check, low, high, share


def _season(node: Node) -> SeasonSpec:
    name = node.text("name", required=True)
    first, last = _day_of_year(node, "from"), _day_of_year(node, "until")
    targets = _targets(node)
    if not targets and not node.has("target"):
        node.problem("changes nothing; add a [[profile.season.target]]")
    node.finish()
    return SeasonSpec(name or "", first, last, targets)


def _day_of_year(node: Node, key: str) -> str:
    """Read ``MM-DD``, a day that some year has."""
    written = node.text(key, required=True)
    if written is not None and not _is_day_of_year(written):
        node.problem(f'"{key}" is "{written}", no day of the year; write month and day, as in "11-15"', key)
    return written or ""


def _is_day_of_year(written: str) -> bool:
    if not _MONTH_AND_DAY.fullmatch(written):
        return False
    try:
        date(_A_LEAP_YEAR, int(written[:2]), int(written[3:]))
    except ValueError:
        return False
    return True
