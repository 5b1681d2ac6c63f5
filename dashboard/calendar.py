"""A calendar of an enclosure's days: a row a week, each day with its verdict, its light and its rain."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from markupsafe import Markup
from sqlmodel import Session

from dashboard.day import Axis
from dashboard.figures.day_ribbon import ribbon
from dashboard.verdicts import Shown, of_check
from service.climate.day_cycle import local_day
from service.lookback.bodies import Body
from service.lookback.days import assessed_days
from service.lookback.summary import never_known, verdict_but_for
from service.lookback.words import check_name, counted, listed, weekday_words
from service.model import to_ms
from service.store.engine import Store
from service.store.facts import EnclosureFact, RoomFacts
from service.store.readings import first_reading_ms

WEEKS: Final = 13
WEEK: Final = 7
WEEKDAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_SHORT: Final = {
    "hot-spot": "basking",
    "hot-spot-peak": "overheating",
    "warm-up": "warm-up",
    "gradient": "gradient",
    "cool-retreat": "retreat",
    "night-drop": "night drop",
    "night-floor": "cold night",
    "night-ceiling": "warm night",
    "humidity-day": "humidity",
    "humidity-night": "humidity",
    "humidity-spikes": "spikes",
    "misting-cycles": "misting",
    "dry-down": "drying",
    "photoperiod": "light",
    "incubation": "incubation",
}
"""A check in a word or two, for a cell."""


@dataclass(frozen=True, slots=True)
class Window:
    """Whole weeks, from a Monday to a Sunday, both included."""

    first: date
    last: date

    @property
    def before(self) -> "Window":
        """As many weeks before these."""
        return Window(self.first - timedelta(WEEK * WEEKS), self.first - timedelta(1))


def window_of(day: date, today: date) -> Window:
    """Return the window that shows a day: the last 13 weeks with today's, or one a multiple of 13 weeks before."""
    sunday = today + timedelta(6 - today.weekday())
    back = max(0, (sunday - day).days) // (WEEK * WEEKS)
    last = sunday - timedelta(back * WEEK * WEEKS)
    return Window(last - timedelta(WEEK * WEEKS - 1), last)


@dataclass(frozen=True, slots=True)
class PastDays:
    """The assessed days of a window.

    Attributes
    ----------
    window : Window
    bodies : dict of date to dict
        As `service.lookback.bodies.body_of` makes them; only days that have begun.
    never : frozenset of str
        Checks that had no verdict on any day of which there are readings: what is not measured here.
    inputs : dict of date to bytes
        Digests of everything that the days were assessed from.
    """

    window: Window
    bodies: dict[date, Body]
    never: frozenset[str]
    inputs: dict[date, bytes]

    def verdict(self, day: date) -> str | None:
        """Return a day's verdict as far as it is measured here; a day without any reading has no data."""
        body = self.bodies[day]
        if not body["data"]["readings"] and body["day"]["complete"]:
            return "no data"
        return verdict_but_for(body["day"], self.never)

    def failed(self, day: date) -> list[str]:
        """Return the checks that were not met on a day."""
        return [check["check"] for check in self.bodies[day]["day"]["checks"] if check["verdict"] == "not met"]


def past_days(store: Store, facts: RoomFacts, enclosure: EnclosureFact, window: Window, now: datetime) -> PastDays:
    """Return the days of a window; those that are over come from what the look-back keeps.

    Parameters
    ----------
    store : Store
    facts, enclosure : RoomFacts, EnclosureFact
    window : Window
    now : datetime
        Aware.
    """
    last = min(window.last, now.astimezone(facts.zone).date())
    assessed = assessed_days(store, facts, enclosure, window.first, last, to_ms(now)).days
    by_date = {date.fromisoformat(day.body["day"]["date"]): day for day in assessed}
    bodies = {day: one.body for day, one in by_date.items()}
    heard = [body["day"] for body in bodies.values() if body["data"]["readings"]]
    return PastDays(window, bodies, never_known(heard), {day: one.inputs for day, one in by_date.items()})


@dataclass(frozen=True, slots=True)
class Cell:
    """A day of the calendar.

    Attributes
    ----------
    day : date
    shown : Shown
    failed : str
        In a few words, for the cell; empty where nothing failed.
    said : str
        Date, verdict and failed checks in full: title and accessible name.
    ribbon : Markup
        Its light and rain.
    is_today, starts_month : bool
    """

    day: date
    shown: Shown
    failed: str
    said: str
    ribbon: Markup
    is_today: bool
    starts_month: bool


@dataclass(frozen=True, slots=True)
class Calendar:
    """The calendar, ready to be rendered.

    Attributes
    ----------
    weeks : tuple of (str, tuple of Cell or None)
        A name and seven days, Monday first; None lies ahead, or before the first reading.
    counts, unknown : str
        What the days came to, and what is never known of them.
    older, newer : date or None
        A day of the window before, or after.
    """

    weeks: tuple[tuple[str, tuple[Cell | None, ...]], ...]
    counts: str
    unknown: str
    older: date | None
    newer: date | None


def calendar_of(days: PastDays, facts: RoomFacts, now: datetime, *, goes_back: bool) -> Calendar:
    """Return the calendar of a window of days.

    Parameters
    ----------
    days : PastDays
    facts : RoomFacts
    now : datetime
    goes_back : bool
        Whether there are readings before the window: see `goes_back`.
    """
    today = now.astimezone(facts.zone).date()
    first = _first_day(days)
    cells = {day: _cell(days, day, facts, today) for day in days.bodies if first is not None and day >= first}
    weeks = tuple(_weeks(days.window, cells))
    return Calendar(
        weeks=weeks,
        counts=_counts(days, list(cells)),
        unknown=_unknown(days.never),
        older=days.window.before.last if goes_back else None,
        newer=days.window.last + timedelta(1) if days.window.last < today else None,
    )


def _first_day(days: PastDays) -> date | None:
    """Return the first day with a reading: what lies before is no failure of anything."""
    return next((day for day, body in sorted(days.bodies.items()) if body["data"]["readings"]), None)


def goes_back(session: Session, facts: RoomFacts, enclosure: EnclosureFact, day: date) -> bool:
    """Say whether an enclosure has any reading before a local day."""
    start = local_day(day, facts.zone)[0]
    return any(
        first_reading_ms(session, placement.channel_id, placement.start_ms, min(start, placement.end_ms)) is not None
        for placement in enclosure.placements
        if placement.start_ms < start
    )


def _weeks(window: Window, cells: dict[date, Cell]) -> Iterator[tuple[str, tuple[Cell | None, ...]]]:
    for number in range(WEEKS):
        monday = window.first + timedelta(WEEK * number)
        row = tuple(cells.get(monday + timedelta(n)) for n in range(WEEK))
        if any(row):
            sunday = monday + timedelta(WEEK - 1)
            start = f"{monday.day}" if monday.month == sunday.month else f"{monday.day} {monday:%b}"
            yield f"{start}–{sunday.day} {sunday:%b}", row


def _cell(days: PastDays, day: date, facts: RoomFacts, today: date) -> Cell:
    verdict = days.verdict(day)
    failed = days.failed(day)
    short = list(dict.fromkeys(_SHORT.get(check, check) for check in failed))
    more = f" +{len(short) - 1}" if len(short) > 1 else ""
    before = days.bodies.get(day - timedelta(1))
    return Cell(
        day=day,
        shown=of_check(verdict),
        failed=f"{short[0]}{more}" if short else "",
        said=f"{weekday_words(day)}: {verdict_words(days, day)}",
        ribbon=ribbon(days.bodies[day], before, Axis(*local_day(day, facts.zone), facts.zone)),
        is_today=day == today,
        starts_month=day.day == 1,
    )


def verdict_words(days: PastDays, day: date) -> str:
    """Return a day's verdict with the checks that failed: ``not met: basking spot in its band``."""
    verdict, failed = days.verdict(day), days.failed(day)
    word = "not over yet" if verdict is None else verdict
    if not days.bodies[day]["day"]["checks"]:
        return f"{word}: nothing was asked for, since no profile was followed"
    if failed:
        return f"{word}: {listed(check_name(check).lower() for check in failed)}"
    return f"{word}, as far as it is measured here" if verdict == "met" and days.never else word


def _counts(days: PastDays, shown: Sequence[date]) -> str:
    if not shown:
        return "Nothing was heard here in these weeks."
    found = Counter(days.verdict(day) for day in shown)
    words = {"met": "met", "borderline": "borderline", "not met": "not met", "no data": "without enough data"}
    parts = [f"{counted(found[verdict], 'day')} {word}" for verdict, word in words.items() if found[verdict]]
    return f"{listed(parts) or 'No day is over yet'}."


def _unknown(never: frozenset[str]) -> str:
    if not never:
        return ""
    names = listed(check_name(check).lower() for check in sorted(never))
    return f"Asked for and never known in these weeks, so left out of the verdicts here: {names}. Each day says why."
