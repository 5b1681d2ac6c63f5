from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from climate_builders import A_DAY, LISBON, an_axis, next_day
from hypothesis import given
from hypothesis import strategies as st

from service.climate.day_cycle import (
    LightSchedule,
    Photoperiod,
    day_span,
    in_day_span,
    in_night_span,
    instant_of,
    lit_at,
    local_day,
    night_span,
    photoperiod_from_schedule,
    photoperiod_of,
)
from service.climate.ranges import DAY_MS, HOUR_MS, MINUTE_MS
from service.climate.series import Series, series_of

UTC = ZoneInfo("UTC")
SPRING, AUTUMN = date(2026, 3, 29), date(2026, 10, 25)
ORDINARY = LightSchedule(time(7, 30), time(19, 30))
REVERSED = LightSchedule(time(20), time(8))


def wall(at_ms: int, zone: ZoneInfo = LISBON) -> str:
    return f"{datetime.fromtimestamp(at_ms / 1000, zone):%m-%d %H:%M}"


def light(*lit: tuple[float, float], start: int = local_day(A_DAY, LISBON)[0], hours: float = 48) -> Series:
    """Return a light channel of the day: lit between pairs of hours after its midnight."""
    at = an_axis(start - HOUR_MS, start + int(hours * HOUR_MS))
    hour = (at - start) / HOUR_MS
    on = np.zeros(at.shape, dtype=bool)
    for first, last in lit:
        on |= (hour >= first) & (hour < last)
    return series_of(at, np.where(on, 3000.0, 2.0), MINUTE_MS)


@pytest.mark.parametrize(("day", "hours"), [(A_DAY, 24), (SPRING, 23), (AUTUMN, 25)])
def test_a_local_day_is_as_long_as_its_clock_makes_it(day: date, hours: int) -> None:
    start, end = local_day(day, LISBON)
    assert end - start == hours * HOUR_MS
    assert wall(start).endswith("00:00")


def test_a_wall_clock_time_that_does_not_exist_is_the_instant_of_the_change() -> None:
    assert instant_of(SPRING, time(1, 30), LISBON) == local_day(SPRING, LISBON)[0] + HOUR_MS


def test_a_wall_clock_time_that_comes_twice_is_its_first() -> None:
    assert instant_of(AUTUMN, time(1, 30), LISBON) == local_day(AUTUMN, LISBON)[0] + 90 * MINUTE_MS


@pytest.mark.parametrize("day", [A_DAY, SPRING, AUTUMN])
def test_a_schedule_means_wall_clock_time_when_the_clocks_change(day: date) -> None:
    period = photoperiod_from_schedule(day, LISBON, ORDINARY)
    assert (wall(period.on_ms)[-5:], wall(period.off_ms)[-5:]) == ("07:30", "19:30")
    assert wall(period.next_on_ms) == f"{next_day(day):%m-%d} 07:30"


def test_a_night_over_the_change_of_the_clocks_is_an_hour_shorter_or_longer() -> None:
    nights = [photoperiod_from_schedule(day - timedelta(days=1), LISBON, ORDINARY) for day in (SPRING, AUTUMN)]
    assert [(p.next_on_ms - p.off_ms) / HOUR_MS for p in nights] == [11, 13]


def test_lights_across_midnight_belong_to_the_date_on_which_they_go_on() -> None:
    period = photoperiod_from_schedule(A_DAY, LISBON, REVERSED)
    assert (wall(period.on_ms), wall(period.off_ms)) == ("03-10 20:00", "03-11 08:00")
    assert wall(period.next_on_ms) == "03-11 20:00"


def test_day_and_night_spans_leave_out_warm_up_and_settling() -> None:
    period = photoperiod_from_schedule(A_DAY, LISBON, ORDINARY)
    assert [wall(t)[-5:] for t in (*day_span(period), *night_span(period))] == ["08:30", "19:30", "21:30", "07:30"]


def test_a_day_shorter_than_its_warm_up_has_an_empty_day_span() -> None:
    period = photoperiod_from_schedule(A_DAY, LISBON, LightSchedule(time(8), time(8, 30)))
    start, end = day_span(period)
    assert start == end


def test_an_enclosure_without_lights_has_the_whole_local_day_and_no_night() -> None:
    period = photoperiod_of(A_DAY, LISBON)
    assert period.basis == "none"
    assert day_span(period) == local_day(A_DAY, LISBON)
    assert night_span(period)[0] == night_span(period)[1]
    assert not lit_at([period.on_ms + 1], [period]).any()


def test_lights_that_never_go_off_have_no_schedule() -> None:
    with pytest.raises(ValueError, match=r"expected two times"):
        LightSchedule(time(8), time(8))


def test_a_photoperiod_out_of_order_is_refused() -> None:
    with pytest.raises(ValueError, match=r"expected in this order"):
        Photoperiod(10, 5, 20, "light")


def test_measured_light_comes_before_lamp_power_and_schedule() -> None:
    bright = light((8, 18), (32, 42))
    period = photoperiod_of(A_DAY, LISBON, schedule=ORDINARY, light=bright, lamp_power=light((9, 17)))
    assert period.basis == "light"
    assert [wall(t) for t in (period.on_ms, period.off_ms, period.next_on_ms)] == [
        "03-10 08:00",
        "03-10 18:00",
        "03-11 08:00",
    ]


def test_lamp_power_comes_before_the_schedule_and_its_thermostat_pauses_do_not_count() -> None:
    pulsed = light((8, 10), (10.25, 14), (14.4, 18), (32, 42))
    period = photoperiod_of(A_DAY, LISBON, schedule=ORDINARY, lamp_power=pulsed, lit_above_watt=50)
    assert period.basis == "lamp power"
    assert (wall(period.on_ms), wall(period.off_ms)) == ("03-10 08:00", "03-10 18:00")


def test_a_torch_at_night_and_a_flicker_by_day_are_no_photoperiods() -> None:
    seen = light((2, 2.1), (8, 12), (12.1, 18), (32, 42))
    period = photoperiod_of(A_DAY, LISBON, light=seen)
    assert (wall(period.on_ms), wall(period.off_ms)) == ("03-10 08:00", "03-10 18:00")


@pytest.mark.parametrize("seen", [light(), light((-1, 49))], ids=["dead", "stuck on"])
def test_lights_that_never_change_leave_the_day_to_the_schedule(seen: Series) -> None:
    assert photoperiod_of(A_DAY, LISBON, schedule=ORDINARY, light=seen).basis == "schedule"


def test_a_light_channel_that_was_silent_leaves_the_day_to_the_schedule() -> None:
    seen = light((8, 18))
    kept = (seen.at - seen.at[0]) % (6 * HOUR_MS) < HOUR_MS
    sparse = series_of(seen.at[kept], seen.value[kept], MINUTE_MS)
    assert photoperiod_of(A_DAY, LISBON, schedule=ORDINARY, light=sparse).basis == "schedule"


def test_lights_still_on_at_the_last_reading_go_off_by_schedule() -> None:
    period = photoperiod_of(A_DAY, LISBON, schedule=ORDINARY, light=light((8, 18), hours=12))
    assert period.basis == "light"
    assert [wall(t) for t in (period.on_ms, period.off_ms, period.next_on_ms)] == [
        "03-10 08:00",
        "03-10 19:30",
        "03-11 07:30",
    ]


def test_measured_light_across_midnight_belongs_to_the_date_on_which_it_begins() -> None:
    period = photoperiod_of(A_DAY, LISBON, light=light((-1, 8), (20, 32), (44, 48)))
    assert [wall(t) for t in (period.on_ms, period.off_ms, period.next_on_ms)] == [
        "03-10 20:00",
        "03-11 08:00",
        "03-11 20:00",
    ]


@given(st.integers(0, 3 * DAY_MS))
def test_spans_at_an_instant_agree_with_the_spans_of_the_days(offset: int) -> None:
    days = [A_DAY + timedelta(days=d) for d in range(-1, 4)]
    periods = [photoperiod_from_schedule(day, LISBON, REVERSED) for day in days]
    at = local_day(A_DAY, LISBON)[0] + offset

    def holds(span: tuple[int, int]) -> bool:
        return span[0] <= at < span[1]

    assert lit_at(at, periods) == any(p.on_ms <= at < p.off_ms for p in periods)
    assert in_day_span(at, periods) == any(holds(day_span(p)) for p in periods)
    assert in_night_span(at, periods) == any(holds(night_span(p)) for p in periods)


clock = st.times(max_value=time(23, 59)).map(lambda t: t.replace(second=0, microsecond=0))


@given(st.dates(date(2000, 1, 1), date(2037, 1, 1)), clock, clock, st.sampled_from(["Europe/Lisbon", "America/Havana"]))
def test_days_follow_each_other_without_gap_and_lights_keep_their_order(
    day: date, on: time, off: time, name: str
) -> None:
    zone = ZoneInfo(name)
    today, tomorrow = local_day(day, zone), local_day(next_day(day), zone)
    assert today[1] == tomorrow[0]
    assert 23 * HOUR_MS <= today[1] - today[0] <= 25 * HOUR_MS
    if on != off:
        schedule = LightSchedule(on, off)
        one = photoperiod_from_schedule(day, zone, schedule)
        two = photoperiod_from_schedule(next_day(day), zone, schedule)
        assert one.next_on_ms == max(two.on_ms, one.off_ms)
        assert today[0] <= one.on_ms < today[1]


@given(st.integers(-12, 14))
def test_shifting_the_time_zone_shifts_days_and_nothing_else(hours: int) -> None:
    there = ZoneInfo(f"Etc/GMT{-hours:+d}")
    here, shifted = (photoperiod_from_schedule(A_DAY, zone, ORDINARY) for zone in (UTC, there))
    moved = [a - b for a, b in zip(here_instants(here), here_instants(shifted), strict=True)]
    assert moved == [hours * HOUR_MS] * 3
    assert {a - b for a, b in zip(local_day(A_DAY, UTC), local_day(A_DAY, there), strict=True)} == {hours * HOUR_MS}


def here_instants(period: Photoperiod) -> tuple[int, int, int]:
    return period.on_ms, period.off_ms, period.next_on_ms
