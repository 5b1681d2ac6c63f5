"""Ticks of a time axis in a site's local time: on days of 23 and 25 hours too."""

from datetime import date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from dashboard.hourly import local_offsets
from service.climate.day_cycle import instant_of
from service.climate.ranges import DAY_MS, MINUTE_MS, Instants
from service.model import from_ms

MOST_TICKS: Final = 11
_MINUTES: Final = (5, 10, 15, 30, 60, 120, 180, 360, 720)
_DAYS: Final = (1, 2, 7, 14)
_EPOCH: Final = date(1970, 1, 1).toordinal()


def local_ticks(start_ms: int, end_ms: int, zone: ZoneInfo, most: int = MOST_TICKS) -> tuple[list[int], list[str]]:
    """Return instants at round local times of [start, end), at most about so many, and their labels [ms, UTC]."""
    length = end_ms - start_ms
    for minutes in _MINUTES:
        if length / (minutes * MINUTE_MS) <= most:
            return _clock_ticks(start_ms, end_ms, zone, minutes)
    for days in _DAYS:
        if length / (days * DAY_MS) <= most:
            return _day_ticks(start_ms, end_ms, zone, days)
    return _month_ticks(start_ms, end_ms, zone, most)


def _dates(start_ms: int, end_ms: int, zone: ZoneInfo) -> list[date]:
    first, last = (from_ms(at).astimezone(zone).date() for at in (start_ms, end_ms))
    return [first + timedelta(days=n) for n in range((last - first).days + 1)]


def _kept(marks: list[tuple[int, str]], start_ms: int, end_ms: int) -> tuple[list[int], list[str]]:
    inside = [(at, text) for at, text in marks if start_ms <= at < end_ms]
    return [at for at, _ in inside], [text for _, text in inside]


def _clock_ticks(start_ms: int, end_ms: int, zone: ZoneInfo, minutes: int) -> tuple[list[int], list[str]]:
    marks: dict[int, str] = {}
    for day in _dates(start_ms, end_ms, zone):
        for minute in range(0, 24 * 60, minutes):
            at = instant_of(day, time(minute // 60, minute % 60), zone)
            text = _day(at, zone) if minute == 0 else f"{from_ms(at).astimezone(zone):%H:%M}"
            marks.setdefault(at, text)
    return _kept(list(marks.items()), start_ms, end_ms)


def _day(at_ms: int, zone: ZoneInfo) -> str:
    return _written(from_ms(at_ms).astimezone(zone))


def _written(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b}"


def _day_ticks(start_ms: int, end_ms: int, zone: ZoneInfo, days: int) -> tuple[list[int], list[str]]:
    # Counted from a fixed Monday, so that the ticks stay while the view moves.
    chosen = [day for day in _dates(start_ms, end_ms, zone) if day.toordinal() % days == 1 % days]
    marks = [(instant_of(day, time(0), zone), _day(instant_of(day, time(0), zone), zone)) for day in chosen]
    return _kept(marks, start_ms, end_ms)


def _month_ticks(start_ms: int, end_ms: int, zone: ZoneInfo, most: int) -> tuple[list[int], list[str]]:
    firsts = [day for day in _dates(start_ms, end_ms, zone) if day.day == 1]
    step = max(1, -(-len(firsts) // (most + 1)))
    marks = [
        (instant_of(day, time(0), zone), f"{day:%b %Y}" if day.month == 1 else f"{day:%b}")
        for day in firsts
        if (day.year * 12 + day.month - 1) % step == 0
    ]
    return _kept(marks, start_ms, end_ms)


def local_texts(at: Instants, zone: ZoneInfo) -> list[str]:
    """Return what `local_text` returns of each of many instants, quickly.

    Parameters
    ----------
    at : ndarray of int64, shape (n,)
        In order. [ms, UTC]
    zone : ZoneInfo
    """
    if not len(at):
        return []
    since, offset = local_offsets(int(at[0]), int(at[-1]) + 1, zone)
    names = [from_ms(begin).astimezone(zone).tzname() for begin in since.tolist()]
    which = np.searchsorted(since, at, "right") - 1
    days, within = np.divmod(at + offset[which], DAY_MS)
    known = {day: _written(date.fromordinal(_EPOCH + day)) for day in set(days.tolist())}
    columns = (days.tolist(), (within // 1000).tolist(), which.tolist())
    return [
        f"{known[day]} {second // 3600:02d}:{second // 60 % 60:02d}:{second % 60:02d} {names[number]}"
        for day, second, number in zip(*columns, strict=True)
    ]


def local_text(at_ms: int, zone: ZoneInfo) -> str:
    """Return an instant as local date and time with its zone."""
    local: datetime = from_ms(at_ms).astimezone(zone)
    return f"{_written(local)} {local:%H:%M:%S} {local.tzname()}"
