"""What a species asks for: targets by check, seasons, and dated overrides with a reason."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from datetime import date
from functools import cached_property, lru_cache
from typing import Final

from service.climate.sun import day_length

CHECK_UNITS_AND_SHARES: Final[Mapping[str, tuple[str, float | None]]] = {
    # check: (unit of low and high, share of time that is asked for, None where the check is no share of time)
    # All shares: common practice, no source.
    "hot-spot": ("°C", 0.80),
    "hot-spot-peak": ("°C", None),
    "warm-up": ("min", None),
    "gradient": ("°C", None),
    "cool-retreat": ("°C", 0.95),
    "night-drop": ("°C", None),
    "night-floor": ("°C", None),
    "night-ceiling": ("°C", None),
    "humidity-day": ("%RH", 0.70),
    "humidity-night": ("%RH", 0.70),
    "humidity-spikes": ("a day", None),
    # Its share is one of cycles, its low end the added humidity that a working cycle shows.
    "misting-cycles": ("%RH", 1.0),
    "dry-down": ("h", None),
    "photoperiod": ("h", None),
    "incubation": ("°C", 0.95),
    "humidity-alarm": ("%RH", None),
}
"""Every check that a profile may state, with the unit of its limits and the share of time asked for by default."""

DEFAULT_WARM_UP_MIN: Final = 120.0
"""High end of `warm-up` where a profile leaves it open (common practice, no source) [min]."""


LARGEST_LATITUDE: Final = 66.0
"""Beyond it there are days without a sunrise: no rhythm for an enclosure [°]."""


@dataclass(frozen=True)
class Target:
    """What a statistic is held against.

    Parameters
    ----------
    low, high : float
        Both allowed; infinite where open. [unit]
    share : float, optional
        Share of time that must lie within, above 0 to 1; None for the check's default.
    unit : str
        Empty for the check's own.
    source : str
        A citation, or "common practice, no source".
    latitude : float, optional
        Of `photoperiod` alone: it asks for the day length there on the date, no shorter than low and no longer than
        high. North positive. [°]

    Raises
    ------
    ValueError
        If an end is NaN, low is above high, or the share or the latitude lies outside its range.
    """

    low: float = -math.inf
    high: float = math.inf
    share: float | None = None
    unit: str = ""
    source: str = ""
    latitude: float | None = None

    @cached_property
    def _written(self) -> str:
        return f"Target({', '.join(f'{field.name}={getattr(self, field.name)!r}' for field in fields(self))})"

    def __repr__(self) -> str:
        """Return what it is made of: written once, since each day's fingerprint holds that of all its targets."""
        return self._written

    def __post_init__(self) -> None:
        """Refuse a target that nothing could meet."""
        if not self.low <= self.high:
            raise ValueError(f"target is {self.low:g} to {self.high:g}, expected low not above high")
        if self.share is not None and not 0 < self.share <= 1:
            raise ValueError(f"target share is {self.share:g}, expected above 0, at most 1")
        if self.latitude is not None and not abs(self.latitude) <= LARGEST_LATITUDE:
            raise ValueError(f"target latitude is {self.latitude:g}, expected -66 to 66")


def require_known_checks(checks: Iterable[str]) -> None:
    """Raise ValueError for the first id that is no check, naming those that are."""
    for check in checks:
        if check not in CHECK_UNITS_AND_SHARES:
            raise ValueError(f"no check is called {check!r}; there are {', '.join(CHECK_UNITS_AND_SHARES)}")


@dataclass(frozen=True)
class Season:
    """A window of the year that overrides targets: winter cooling, breeding.

    Parameters
    ----------
    name : str
    first, last : (month, day)
        Both belong to the season; it runs over the new year when last comes before first.
    targets : mapping of check id to Target
    """

    name: str
    first: tuple[int, int]
    last: tuple[int, int]
    targets: Mapping[str, Target]

    def __post_init__(self) -> None:
        """Refuse unknown checks and days that no year has."""
        require_known_checks(self.targets)
        for month, day in (self.first, self.last):
            date(2024, month, day)  # a leap year: the 29th of February is a day

    def holds_on(self, day: date) -> bool:
        """Say whether a local date lies in the season."""
        today = (day.month, day.day)
        if self.first <= self.last:
            return self.first <= today <= self.last
        return today >= self.first or today <= self.last


@dataclass(frozen=True)
class SpeciesProfile:
    """A version of what a species asks for; it states only the checks that the species needs.

    Parameters
    ----------
    key, version, species : str, int, str
    targets : mapping of check id to Target
    seasons : tuple of Season
        Where two hold on a day, the later in the tuple wins.
    """

    key: str
    version: int
    species: str
    targets: Mapping[str, Target]
    seasons: tuple[Season, ...] = field(default=())

    def __post_init__(self) -> None:
        """Refuse unknown checks."""
        require_known_checks(self.targets)


@dataclass(frozen=True)
class Override:
    """A keeper's dated target for one enclosure (gravid, hatchling, quarantine, acclimating, treatment).

    Parameters
    ----------
    check : str
    target : Target
    first_ms, last_ms : int
        In force in [first_ms, last_ms); a last_ms of None means until further notice. [ms, UTC]
    reason : str
    """

    check: str
    target: Target
    first_ms: int
    last_ms: int | None
    reason: str

    def __post_init__(self) -> None:
        """Refuse an unknown check."""
        require_known_checks((self.check,))

    def holds_for_ms(self, start: int, end: int) -> int:
        """Return how much of [start, end) the override is in force. [ms]."""
        last = end if self.last_ms is None else min(end, self.last_ms)
        return max(0, last - max(start, self.first_ms))


@lru_cache(maxsize=4096)
def with_defaults(check: str, target: Target) -> Target:
    """Return the target with the check's unit and default share filled in where it has none."""
    unit, share = CHECK_UNITS_AND_SHARES[check]
    high = DEFAULT_WARM_UP_MIN if check == "warm-up" and math.isinf(target.high) else target.high
    return replace(target, high=high, unit=target.unit or unit, share=share if target.share is None else target.share)


def targets_in_force(
    profile: SpeciesProfile,
    overrides: Iterable[Override],
    day: date,
    start_ms: int,
    end_ms: int | None = None,
) -> dict[str, Target]:
    """Return the targets of a local day, or of an instant of it.

    Parameters
    ----------
    profile : SpeciesProfile
    overrides : iterable of Override
        One counts for a day when it is in force for at least half of it. Where several do, the one that began last
        wins.
    day : date
        The local date: it chooses the seasons.
    start_ms, end_ms : int
        The day [start_ms, end_ms); without an end, the instant start_ms. [ms, UTC]

    Returns
    -------
    dict of check id to Target
        With units and default shares filled in.
    """
    targets = dict(profile.targets)
    for season in profile.seasons:
        if season.holds_on(day):
            targets.update(season.targets)
    end = start_ms + 1 if end_ms is None else end_ms
    for override in sorted(overrides, key=lambda o: o.first_ms):
        held = override.holds_for_ms(start_ms, end)
        if held and 2 * held >= end - start_ms:
            targets[override.check] = override.target
    return {check: with_defaults(check, by_the_sun(target, day)) for check, target in targets.items()}


def by_the_sun(target: Target, day: date) -> Target:
    """Return a target that names a latitude with the day length there on a date for both ends; others unchanged."""
    if target.latitude is None:
        return target
    hours = min(max(day_length(target.latitude, day), target.low), target.high)
    return replace(target, low=hours, high=hours)
