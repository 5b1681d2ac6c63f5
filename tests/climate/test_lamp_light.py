"""What a light channel must exceed to say that lamps burn, where daylight falls on it too."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.climate.lamp_light import Hours, hours_of, joined_hours, lit_above
from service.climate.ranges import DAY_MS, HOUR_MS, MINUTE_MS, Floats, Instants

MIDNIGHT = 1_767_225_600_000
PLANNED = [(MIDNIGHT + n * DAY_MS + 8 * HOUR_MS, MIDNIGHT + n * DAY_MS + 20 * HOUR_MS) for n in range(12)]


def at(days: float, every_min: int = 5) -> Instants:
    return np.arange(MIDNIGHT, MIDNIGHT + int(days * DAY_MS), every_min * MINUTE_MS, dtype=np.int64)


def of_day(when: Instants) -> Floats:
    return ((when - MIDNIGHT) % DAY_MS) / HOUR_MS


def light(when: Instants, lamp: float, sun: float, dead_from: int = 99) -> Floats:
    """Lamps by the plan, and a sun that shines from 5 to 21 and is highest at 13."""
    hour = of_day(when)
    burns = (hour >= 8) & (hour < 20) & (when < MIDNIGHT + dead_from * DAY_MS)
    return burns * lamp + sun * np.maximum(0, np.sin(np.pi * (hour - 5) / 16))


def threshold(days: float, **of: float) -> float:
    when = at(days)
    return lit_above(hours_of(when, light(when, **of)), PLANNED, int(when[-1]) + 1)


@pytest.mark.parametrize(("lamp", "sun"), [(4000, 0), (4000, 900), (1500, 400), (22_000, 2000)])
def test_lamps_lie_above_it_and_daylight_alone_below(lamp: float, sun: float) -> None:
    above = threshold(3, lamp=lamp, sun=sun)
    assert sun < above < lamp


def test_in_a_dark_room_with_a_faint_lamp_the_fixed_threshold_stays() -> None:
    assert threshold(3, lamp=150, sun=0) == 100


def test_before_the_first_lit_time_is_over_the_fixed_threshold_holds() -> None:
    assert threshold(0.7, lamp=4000, sun=900) == 100
    assert lit_above(hours_of(np.empty(0, np.int64), np.empty(0)), PLANNED, MIDNIGHT) == 100


def test_lamps_that_fail_are_not_the_rule_within_a_week() -> None:
    before, after = (threshold(days, lamp=4000, sun=300, dead_from=3) for days in (3, 8))
    assert after == before
    assert threshold(11.9, lamp=4000, sun=300, dead_from=3) < 400


def test_a_lit_time_of_which_too_little_is_known_tells_nothing() -> None:
    when = at(1)
    hour = of_day(when)
    kept = (hour < 8) | (hour >= 14)
    assert lit_above(hours_of(when[kept], light(when, 4000, 900)[kept]), PLANNED, MIDNIGHT + DAY_MS) == 100


@given(
    st.lists(st.tuples(st.integers(1, 90), st.floats(0, 9000) | st.just(float("nan"))), min_size=1, max_size=60),
    st.integers(0, 60),
)
def test_hours_are_the_same_however_the_readings_come_in_parts(steps: list[tuple[int, float]], cut: int) -> None:
    when = MIDNIGHT + np.cumsum([wait for wait, _ in steps]) * MINUTE_MS
    value = np.array([lux for _, lux in steps])
    whole = hours_of(when, value)
    parts = joined_hours(hours_of(when[:cut], value[:cut]), hours_of(when[cut:], value[cut:]))
    for one, other in ((whole.start, parts.start), (whole.first, parts.first), (whole.highest, parts.highest)):
        assert one.tolist() == other.tolist()


def test_the_highest_of_some_hours_counts_whole_hours_alone() -> None:
    hours = Hours(MIDNIGHT + np.arange(4) * HOUR_MS, np.arange(4.0), np.array([5.0, 9.0, 7.0, 8.0]))
    assert hours.highest_within(MIDNIGHT, MIDNIGHT + 4 * HOUR_MS) == 9
    assert hours.highest_within(MIDNIGHT + HOUR_MS + 1, MIDNIGHT + 4 * HOUR_MS - 1) == 7
    assert hours.highest_within(MIDNIGHT + 5 * HOUR_MS, MIDNIGHT + 9 * HOUR_MS) == -np.inf
