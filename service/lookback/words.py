"""Checks, places, dates and lengths of time as a person reads them."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime
from itertools import groupby
from typing import Final
from zoneinfo import ZoneInfo

from service.climate.ranges import MINUTE_MS

CHECK_NAMES: Final = {
    "hot-spot": "Basking spot in its band",
    "hot-spot-peak": "Hottest of the basking spot",
    "warm-up": "Warm-up after lights on",
    "gradient": "Gradient from warm to cool",
    "cool-retreat": "Cool retreat",
    "night-drop": "Night drop",
    "night-floor": "Coldest of the night",
    "night-ceiling": "Warmest of the night",
    "humidity-day": "Humidity by day",
    "humidity-night": "Humidity by night",
    "humidity-spikes": "Humidity spikes",
    "misting-cycles": "Misting cycles",
    "dry-down": "Drying between wettings",
    "photoperiod": "Lit hours",
    "incubation": "Incubation",
}
_AT: Final = {
    "ambient": "in the open air of the enclosure",
    "canopy": "in the canopy",
    "substrate": "in the substrate",
    "retreat": "in the retreat",
    "egg-chamber": "in the egg chamber",
    "outside": "outside",
}
_MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip
_WEEKDAYS: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MOST_DATES: Final = 6
_HOUR_MIN: Final = 60
_DAY_MIN: Final = 24 * _HOUR_MIN
_TWO_DAYS_MIN: Final = 2 * _DAY_MIN


def check_name(check: str) -> str:
    """Return a check in words."""
    return CHECK_NAMES.get(check, check.replace("-", " ").capitalize())


def zone_words(zone: str) -> str:
    """Return a zone in words: "cool end"."""
    return "basking spot" if zone == "basking" else zone.replace("-", " ")


def at_zone(zone: str) -> str:
    """Return where a zone is: "at the cool end", "in the canopy", "outside"."""
    return _AT.get(zone, f"at the {zone_words(zone)}")


def channel_words(channel: str, zone: str = "") -> str:
    """Return a channel in words: "air temperature at the cool end (probe a3-cool)"."""
    probe, _, quantity = channel.rpartition("/")
    where = f" {at_zone(zone)}" if zone else ""
    return f"{quantity.replace('_', ' ')}{where} (probe {probe})"


def condition_words(condition: str) -> str:
    """Return an alarm's condition in words."""
    return condition.replace("-", " ")


def day_words(day: date) -> str:
    """Return a date: "3 March"."""
    return f"{day.day} {_MONTHS[day.month - 1]}"


def long_day_words(day: date) -> str:
    """Return a date with its year: "3 March 2026"."""
    return f"{day_words(day)} {day.year}"


def weekday_words(day: date) -> str:
    """Return a date with its weekday: "Tuesday 3 March"."""
    return f"{_WEEKDAYS[day.weekday()]} {day_words(day)}"


def span_words(first: date, last: date) -> str:
    """Return two dates: "3 March 2026", "3 to 9 March 2026", "28 February to 3 March 2026"."""
    if first == last:
        return long_day_words(last)
    if first.year != last.year:
        return f"{long_day_words(first)} to {long_day_words(last)}"
    start = str(first.day) if first.month == last.month else day_words(first)
    return f"{start} to {long_day_words(last)}"


def dates_words(days: Sequence[date]) -> str:
    """Return dates with those that follow one another as spans: "3 to 5 March, 9 March and 4 more days"."""
    runs = [
        [day for _, day in run]
        for _, run in groupby(enumerate(sorted(days)), key=lambda pair: pair[1].toordinal() - pair[0])
    ]
    shown = [_run_words(run) for run in runs[:_MOST_DATES]]
    left = sum(len(run) for run in runs[_MOST_DATES:])
    return ", ".join(shown) + (f" and {counted(left, 'more day')}" if left else "")


def _run_words(run: Sequence[date]) -> str:
    first, last = run[0], run[-1]
    if first == last:
        return day_words(first)
    start = str(first.day) if (first.month, first.year) == (last.month, last.year) else day_words(first)
    return f"{start} {'and' if len(run) == 2 else 'to'} {day_words(last)}"  # noqa: PLR2004 - two days are no span


def counted(number: int, thing: str, things: str | None = None) -> str:
    """Return a number with its thing: "1 day", "3 days"."""
    return f"{number} {thing if number == 1 else things or thing + 's'}"


def times_words(number: int) -> str:
    """Return how often: "once", "twice", "3 times"."""
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def lasting(ms: float) -> str:
    """Return a length of time: "4 min", "2 h 10 min", "3 days 4 h"."""
    minutes = round(ms / MINUTE_MS)
    if minutes < _HOUR_MIN:
        return f"{minutes} min" if minutes else "less than a minute"
    if minutes < _TWO_DAYS_MIN:
        hours, rest = divmod(minutes, _HOUR_MIN)
        return f"{hours} h {rest} min" if rest else f"{hours} h"
    days, rest = divmod(round(minutes / _HOUR_MIN), 24)
    return f"{days} days {rest} h" if rest else f"{days} days"


def listed(words: Iterable[str]) -> str:
    """Return words as a list: "a, b and c"."""
    found = list(words)
    return found[0] if len(found) == 1 else f"{', '.join(found[:-1])} and {found[-1]}" if found else ""


def check_points_words(points: Iterable[Mapping[str, float]]) -> str:
    """Return the points of a reference check: "77.1 where the reference stood at 75.3, known to 1.5"."""
    return listed(
        f"{point['reads']:g} where the reference stood at {point['reference']:g}, known to {point['uncertainty']:g}"
        for point in points
    )


def ms_of(instant: str) -> int:
    """Return an instant of a report in milliseconds since 1970, UTC."""
    return round(datetime.fromisoformat(instant).timestamp() * 1000)


def clock_words(instant: str, zone: ZoneInfo) -> str:
    """Return an instant of a report by the local clock: "3 March 14:05"."""
    local = datetime.fromisoformat(instant).astimezone(UTC).astimezone(zone)
    return f"{day_words(local.date())} {local:%H:%M}"
