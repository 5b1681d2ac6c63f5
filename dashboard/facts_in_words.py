"""What was in force on a day, as sentences: profile, lights, misting, probes, checks against a reference, equipment."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

from dashboard.words import limits, zone_name
from service.climate.targets import CHECK_UNITS_AND_SHARES
from service.lookback.bodies import Body
from service.lookback.words import channel_words, check_name, check_points_words, listed, long_day_words
from service.store.equipment_words import equipment_words, first_up

_ORDER: Final = ("profile", "override", "lights", "misting", "placement", "calibration", "equipment")
_TITLES: Final = {
    "profile": "Profile",
    "override": "Set otherwise",
    "lights": "Lights",
    "misting": "Misting",
    "placement": "Placed",
    "calibration": "Reference check",
    "equipment": "Equipment",
}


@dataclass(frozen=True, slots=True)
class FactView:
    """A fact in words, since when it holds, who entered it, and whether it changed on the day."""

    title: str
    text: str
    since: str
    entered: str
    is_change: bool


def fact_views(facts: Iterable[Body], zone: ZoneInfo, day: date) -> tuple[FactView, ...]:
    """Return facts, as `service.lookback.told_facts` gives them, in words.

    Parameters
    ----------
    facts : iterable of dict
    zone : ZoneInfo
        The site's.
    day : date
        Local; what began or ended on it is marked.
    """
    ordered = sorted(facts, key=lambda fact: (_ORDER.index(fact["kind"]), fact["from"]))
    return tuple(_view(fact, zone, day) for fact in ordered)


def _view(fact: Body, zone: ZoneInfo, day: date) -> FactView:
    start = datetime.fromisoformat(fact["from"]).astimezone(zone)
    end = datetime.fromisoformat(fact["until"]).astimezone(zone) if fact["until"] else None
    until = f" until {_moment(end)}" if end else ""
    return FactView(
        title=_TITLES[fact["kind"]],
        text=_WORDS[fact["kind"]](fact),
        since=f"since {_moment(start)}{until}",
        entered=f"entered by {fact['entered_by']}",
        is_change=day in {start.date(), end.date() if end else None},
    )


def _moment(local: datetime) -> str:
    return f"{long_day_words(local.date())} {local:%H:%M}"


def _placement(fact: Body) -> str:
    words = channel_words(fact["channel"])
    return f"{words[0].upper()}{words[1:]}: {zone_name(fact['zone']).lower()}"


def _calibration(fact: Body) -> str:
    return f"{channel_words(fact['channel'])} read {check_points_words(fact['points'])}"


def _override(fact: Body) -> str:
    unit = CHECK_UNITS_AND_SHARES.get(fact["check"], ("", None))[0]
    band = limits(fact["low"], fact["high"], unit) or "no limit"
    return f"{check_name(fact['check'])}: {band}. {fact['reason']}"


def _misting(fact: Body) -> str:
    return listed(f"{cycle['at']} for {cycle['seconds']} s" for cycle in fact["cycles"]) or "none"


def _equipment(fact: Body) -> str:
    months = fact["replace_after_months"]
    due = f", to be replaced after {months:g} months" if months else ""
    return f"{first_up(equipment_words(fact['equipment']))}{due}"


_WORDS: Final[Mapping[str, Callable[[Body], str]]] = {
    "profile": lambda fact: f"{fact['profile']} for {fact['species']}, version {fact['version']}",
    "override": _override,
    "lights": lambda fact: f"on {fact['on']}, off {fact['off']}",
    "misting": _misting,
    "placement": _placement,
    "calibration": _calibration,
    "equipment": _equipment,
}
