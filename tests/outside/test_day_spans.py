"""Local days and lights on the days when clocks change, against the IANA time zone database.

Source: the database itself, as Python's zoneinfo reads it (from the system, or from the tzdata package): the changes of
the offset are found here by scanning it every six hours and closing in on the second.
"""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from service.climate.day_cycle import LightSchedule, local_day, photoperiod_from_schedule

ZONES = [
    "Europe/Lisbon",
    "Europe/Vienna",
    "Europe/Dublin",
    "America/New_York",
    "America/St_Johns",
    "America/Santiago",  # changes at midnight
    "America/Havana",  # changes at midnight
    "America/Sao_Paulo",  # changed at midnight until 2019
    "Africa/Cairo",  # changes at midnight
    "Africa/Casablanca",  # changes around Ramadan
    "Asia/Beirut",  # changes at midnight
    "Australia/Sydney",
    "Australia/Lord_Howe",  # changes by half an hour
    "Pacific/Auckland",
    "Asia/Tokyo",  # does not change
]
FIRST, LAST = datetime(2015, 1, 1, tzinfo=UTC), datetime(2031, 1, 1, tzinfo=UTC)


def offset(at: datetime, zone: ZoneInfo) -> timedelta:
    return at.astimezone(zone).utcoffset()


def changes(zone: ZoneInfo) -> list[tuple[datetime, timedelta]]:
    """Return each change of the offset: its first instant, and by how much the clock jumps."""
    found, at, step = [], FIRST, timedelta(hours=6)
    while at < LAST:
        if offset(at, zone) != offset(at + step, zone):
            low, high = at, at + step
            while high - low > timedelta(seconds=1):
                middle = low + (high - low) / 2
                middle = middle.replace(microsecond=0)
                low, high = (middle, high) if offset(middle, zone) == offset(low, zone) else (low, middle)
            found.append((high, offset(high, zone) - offset(low, zone)))
        at += step
    return found


def shown(at_ms: int, zone: ZoneInfo) -> datetime:
    return datetime.fromtimestamp(at_ms / 1000, zone)


@pytest.mark.parametrize("name", ZONES)
def test_a_local_day_holds_every_instant_of_its_date_and_no_other(name: str) -> None:
    zone = ZoneInfo(name)
    dates = {at.astimezone(zone).date() + timedelta(days=d) for at, _ in changes(zone) for d in (-1, 0, 1)}
    for day in dates | {date(2026, 1, 15)}:
        start, end = local_day(day, zone)
        assert shown(start, zone).date() == day
        assert shown(start - 1000, zone).date() == day - timedelta(days=1)
        assert shown(end - 1000, zone).date() == day
        assert shown(end, zone).date() == day + timedelta(days=1)


@pytest.mark.parametrize("name", ZONES)
def test_a_local_day_is_shorter_or_longer_by_what_the_clock_jumps(name: str) -> None:
    zone = ZoneInfo(name)
    by_date: dict[date, timedelta] = {}
    for at, jump in changes(zone):
        day = (at - timedelta(seconds=1)).astimezone(zone).date() if jump < timedelta(0) else at.astimezone(zone).date()
        by_date[day] = jump
    for day, jump in by_date.items():
        start, end = local_day(day, zone)
        assert timedelta(milliseconds=end - start) == timedelta(hours=24) - jump


def test_the_zones_chosen_change_in_every_way() -> None:
    jumps = {jump for name in ZONES for _, jump in changes(ZoneInfo(name))}
    assert {timedelta(hours=1), timedelta(hours=-1), timedelta(minutes=30), timedelta(minutes=-30)} <= jumps


@pytest.mark.parametrize("name", ZONES)
def test_scheduled_lights_keep_to_the_wall_clock_over_every_change(name: str) -> None:
    zone, schedule = ZoneInfo(name), LightSchedule(time(7, 30), time(19, 30))
    for at, _ in changes(zone):
        for days in (-1, 0, 1):
            day = at.astimezone(zone).date() + timedelta(days=days)
            period = photoperiod_from_schedule(day, zone, schedule)
            walls = [shown(t, zone).replace(tzinfo=None) for t in (period.on_ms, period.off_ms, period.next_on_ms)]
            following = day + timedelta(days=1)
            dates = [(day, schedule.on), (day, schedule.off), (following, schedule.on)]
            assert walls == [datetime.combine(d, t) for d, t in dates]


@pytest.mark.parametrize("name", ZONES)
def test_lights_set_to_a_time_that_the_change_skips_go_on_at_the_change(name: str) -> None:
    zone = ZoneInfo(name)
    for at, jump in changes(zone):
        if jump <= timedelta(0):
            continue
        before = (at - timedelta(seconds=1)).astimezone(zone).replace(tzinfo=None) + timedelta(seconds=1)
        skipped = before + jump / 2
        schedule = LightSchedule(skipped.time(), time(15))
        period = photoperiod_from_schedule(skipped.date(), zone, schedule)
        assert period.on_ms == int(at.timestamp() * 1000)
