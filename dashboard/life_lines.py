"""Every animal's last quarter as a line: where it lived, when an alarm called there, and what its keeper noted."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final
from urllib.parse import urlencode

from markupsafe import Markup, escape
from sqlmodel import Session

from dashboard.animals import enclosure_names
from dashboard.day import Axis
from service.climate.day_cycle import local_day
from service.lookback.words import counted, day_words, listed
from service.model import JournalEntry, from_ms, to_ms
from service.store.alarm_load import ToldRow, told_alarms
from service.store.animals import AnimalFact, load_animals
from service.store.facts import RoomFacts
from service.store.journal import KINDS, entries_within

DAYS: Final = 90
_MID_MONTH: Final = 20
"""Of a later month's end the name would run into the next."""
_MOST: Final = 60
"""Lives on the page: those that something was noted of, or that an alarm called for, come first."""
_LEAST_SHARE: Final = 0.002


@dataclass(frozen=True, slots=True)
class LifeLine:
    """An animal with its line, and the look-back of it."""

    name: str
    species: str
    look_back: str
    line: Markup
    is_gone: bool


@dataclass(frozen=True, slots=True)
class LifeLines:
    """The lines, the ruler above them, how many are not shown, and the span in days."""

    ruler: Markup
    lives: tuple[LifeLine, ...]
    more: int


def life_lines(session: Session, facts: RoomFacts, now: datetime) -> LifeLines:
    """Return the lines of the animals that were here within the last quarter, those with most to tell first."""
    first = now.astimezone(facts.zone).date() - timedelta(days=DAYS - 1)
    axis = Axis(local_day(first, facts.zone)[0], to_ms(now), facts.zone)
    noted: dict[int, list[JournalEntry]] = {}
    for entry in entries_within(session, from_ms(axis.start_ms), now + timedelta(minutes=5)):
        if entry.animal_id is not None:
            noted.setdefault(entry.animal_id, []).append(entry)
    called: dict[int, list[ToldRow]] = {}
    for row in told_alarms(session, axis.start_ms, axis.end_ms):
        if row.enclosure_id is not None:
            called.setdefault(row.enclosure_id, []).append(row)
    animals = [one for one in load_animals(session) if one.retired_ms is None or one.retired_ms > axis.start_ms]
    told = [_life(one, noted.get(one.id, []), called, axis, facts) for one in animals]
    told.sort(key=lambda pair: pair[0])
    lives = tuple(line for _, line in told[:_MOST])
    return LifeLines(_ruler(axis, first), lives, len(told) - len(lives))


def _life(
    animal: AnimalFact, noted: Sequence[JournalEntry], called: Mapping[int, Sequence[ToldRow]], axis: Axis,
    facts: RoomFacts,
) -> tuple[tuple[bool, int, str], LifeLine]:  # fmt: skip
    names = enclosure_names(facts)
    homes = [home for home in animal.housings if axis.meets(home.start_ms, home.end_ms)]
    alarms = [
        row
        for home in homes
        for row in called.get(home.enclosure_id, ())
        if home.start_ms <= row.raised_ms < home.end_ms and row.raised_ms >= axis.start_ms
    ]
    events = [entry for entry in noted if KINDS[entry.kind].is_event]
    where = listed(dict.fromkeys(names[home.enclosure_id][1] for home in homes)) or "nowhere that was entered"
    said = f"{animal.name}, the last {DAYS} days: lived in {where}; {counted(len(alarms), 'alarm')} called there"
    said += "".join(f"; {KINDS[one.kind].words} on {_day(one, facts)}" for one in reversed(events))
    drawn = [
        *(_home(axis, names[home.enclosure_id][1], home.start_ms, home.end_ms) for home in homes),
        *(_call(axis, row) for row in alarms),
        *(_note(axis, entry) for entry in noted),
    ]
    line = Markup(  # noqa: S704 - numbers and constants; names are escaped
        f'<svg class="strip life-line" role="img" aria-label="{escape(said)}" width="100%" height="100%">'
        f'<rect class="gap" width="100%" height="100%"/>{"".join(drawn)}</svg>'
    )
    look_back = f"/look-back?{urlencode({'animal': animal.name})}"
    shown = LifeLine(animal.name, animal.species, look_back, line, animal.retired_ms is not None)
    return (not events, -len(alarms), animal.name.casefold()), shown


def _day(entry: JournalEntry, facts: RoomFacts) -> str:
    return day_words(entry.from_at.astimezone(facts.zone).date())


def _home(axis: Axis, name: str, start_ms: int, end_ms: int) -> str:
    left, right = axis.share(start_ms), axis.share(end_ms)
    # An svg of its own cuts the name off where the animal moved on.
    return (
        f'<svg x="{100 * left:.2f}%" width="{100 * (right - left):.2f}%" height="100%">'
        '<rect class="home" width="100%" height="100%"/><line class="move" y2="100%"/>'
        f'<text class="home-name" x="6" y="62%">{escape(name)}</text></svg>'
    )


def _call(axis: Axis, row: ToldRow) -> str:
    left, right = axis.share(row.raised_ms), axis.share(row.returned_ms or axis.end_ms)
    width = max(right - left, _LEAST_SHARE)
    css = "call is-low" if row.priority == "low" else "call"
    return f'<rect class="{css}" x="{100 * left:.2f}%" width="{100 * width:.2f}%" y="82%" height="18%"/>'


def _note(axis: Axis, entry: JournalEntry) -> str:
    place = f"{100 * axis.share(to_ms(entry.from_at)):.2f}%"
    if not KINDS[entry.kind].is_event:
        return f'<line class="noted-mark" x1="{place}" x2="{place}" y1="0" y2="18%"/>'
    return f'<svg x="{place}" overflow="visible"><path class="event-mark" d="M-8 0H8L0 14Z"/></svg>'


def _ruler(axis: Axis, first: date) -> Markup:
    """Return the ruler: a mark at each week's Monday, the months named."""
    return Markup("").join(_marks(axis, first))


def _marks(axis: Axis, first: date) -> Iterator[Markup]:
    for number in range(DAYS):
        day = first + timedelta(days=number)
        place = f"{100 * axis.share(local_day(day, axis.zone)[0]):.2f}%"
        if day.day == 1 or (number == 0 and day.day < _MID_MONTH):
            yield Markup('<text class="month" x="{0}" y="60%">{1:%B}</text>').format(place, day)
        if day.weekday() == 0:
            yield Markup('<line class="week" x1="{0}" x2="{0}" y1="75%" y2="100%"/>').format(place)
