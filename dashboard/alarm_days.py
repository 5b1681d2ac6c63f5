"""Alarms that are over, as a day book: day by day, each on the light of its own day."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from itertools import groupby

from dashboard.alarm_line import alarm_line
from dashboard.alarms import Card, card
from dashboard.day import day_axis, local_date
from service.climate.day_cycle import Photoperiod
from service.lookback.words import counted, weekday_words
from service.model import Alarm
from service.store.facts import EnclosureFact, RoomFacts
from service.store.programme import Programme


@dataclass(frozen=True, slots=True)
class Over:
    """One alarm that is over, or several of one condition that began, ended and were answered together.

    Attributes
    ----------
    card : Card
        Of the first, with its line.
    began, ended : str
        By the clock; a later date is said.
    places : tuple of Card
        Every one of them.
    """

    card: Card
    began: str
    ended: str
    places: tuple[Card, ...]


@dataclass(frozen=True, slots=True)
class AlarmDay:
    """A local day on which alarms began."""

    words: str
    counts: str
    alarms: tuple[Over, ...]


_Together = tuple[str, str, str, str, str]


def alarm_days(alarms: Sequence[Alarm], facts: RoomFacts, now: datetime) -> tuple[AlarmDay, ...]:
    """Return alarms that are over by the day on which they began, in the order given."""
    programmes: dict[int, Programme] = {}
    this_year = now.astimezone(facts.zone).year
    days: list[AlarmDay] = []
    for day, some in groupby(alarms, key=lambda alarm: local_date(alarm.began_at, facts.zone)):
        there = list(some)
        left = sum(alarm.acknowledged_at is None for alarm in there)
        said = counted(len(there), "alarm") + (f", {left} answered by nobody" if left else ", all answered")
        words = weekday_words(day) + (f" {day.year}" if day.year != this_year else "")
        together: dict[_Together, list[Alarm]] = {}
        for alarm in there:
            together.setdefault(_together(alarm, facts, now), []).append(alarm)
        rows = tuple(_over(group, day, facts, now, programmes) for group in together.values())
        days.append(AlarmDay(words, said, rows))
    return tuple(days)


def _together(alarm: Alarm, facts: RoomFacts, now: datetime) -> _Together:
    """Return what alarms share that are told in one line: one cause, seen from many enclosures."""
    began, ended = _clocks(alarm, facts, now)
    answered = f"{alarm.acknowledged_by} {alarm.note}" if alarm.acknowledged_at else ""
    return alarm.condition, alarm.priority, began, ended, answered


def _clocks(alarm: Alarm, facts: RoomFacts, now: datetime) -> tuple[str, str]:
    began, ended = alarm.began_at.astimezone(facts.zone), (alarm.returned_at or now).astimezone(facts.zone)
    later = "" if ended.date() == began.date() else f"{ended.day} {ended:%b} "
    return f"{began:%H:%M}", f"{later}{ended:%H:%M}"


def _over(group: Sequence[Alarm], day: date, facts: RoomFacts, now: datetime, programmes: dict[int, Programme]) -> Over:
    alarm, (began, ended) = group[0], _clocks(group[0], facts, now)
    enclosure = facts.enclosures.get(alarm.enclosure_id) if alarm.enclosure_id is not None else None
    said = f"On {weekday_words(day)}: from {began} until {ended}"
    line = alarm_line(alarm, _light(enclosure, day, facts, programmes), day_axis(day, facts.zone), said)
    places = tuple(card(one, facts, now) for one in group)
    return Over(replace(places[0], line=line), began, ended, places)


def _light(
    enclosure: EnclosureFact | None, day: date, facts: RoomFacts, programmes: dict[int, Programme]
) -> list[Photoperiod]:
    """Return the lit hours that were planned for an enclosure's day, and for the one before it."""
    if enclosure is None:
        return []
    programme = programmes.setdefault(enclosure.id, Programme(facts, enclosure))
    return [programme.day(day - timedelta(days=1)).photoperiod, programme.day(day).photoperiod]
