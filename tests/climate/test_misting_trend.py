"""Whether misting weakens, told from its cycles."""

from zoneinfo import ZoneInfo

import pytest

from service.climate.misting import MistingResult, MistingVerdict
from service.climate.misting_trend import by_time_of_day, weakening_of
from service.climate.ranges import DAY_MS, HOUR_MS, MINUTE_MS

T0 = 1_773_129_600_000  # 2026-03-10 08:00 UTC


def results(*responses: float, verdict: MistingVerdict = MistingVerdict.CONFIRMED) -> list[MistingResult]:
    return [MistingResult(T0 + i * DAY_MS, "schedule", verdict, response=r) for i, r in enumerate(responses)]


def test_a_clogging_nozzle_shows_as_weakening() -> None:
    found = weakening_of(results(*[20] * 20, 14, 11, 10, 9, 8))
    assert found.weakening
    assert found.ratio == pytest.approx(0.5)
    assert "nozzle" in found.sentence


def test_a_steady_system_is_not_weakening_and_one_bad_cycle_is_no_trend() -> None:
    assert not weakening_of(results(*[20] * 20)).weakening
    assert not weakening_of(results(*[20] * 20, 2)).weakening


def test_too_few_cycles_give_no_trend() -> None:
    assert not weakening_of(results(*[20] * 4, 1, 1, 1, 1, 1)).weakening
    assert weakening_of(results(*[20] * 5, 1, 1, 1, 1, 1)).weakening


def test_cycles_without_headroom_or_data_do_not_count() -> None:
    blind = results(*[1] * 10, verdict=MistingVerdict.SATURATED)
    assert not weakening_of(results(*[20] * 10) + blind).weakening


def test_only_the_28_cycles_before_count_as_before() -> None:
    assert weakening_of(results(*[2] * 60, *[20] * 28, *[5] * 5)).earlier == 20


def test_cycles_are_grouped_by_the_wall_clock_over_the_change_of_the_clocks() -> None:
    lisbon = ZoneInfo("Europe/Lisbon")
    spring = 1_774_742_400_000  # 2026-03-29 00:00 in Lisbon, an hour before the clocks go forward
    mornings = [spring - DAY_MS + 8 * HOUR_MS, spring + 7 * HOUR_MS, spring + DAY_MS + 7 * HOUR_MS]
    nights = [spring - DAY_MS - 5 * MINUTE_MS, spring + 5 * MINUTE_MS]
    found = by_time_of_day([MistingResult(t, "schedule", None) for t in sorted(mornings + nights)], lisbon)
    assert sorted([r.at_ms for r in group] for group in found) == sorted([nights, mornings])
    assert by_time_of_day([], lisbon) == []
