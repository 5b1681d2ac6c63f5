import math

import numpy as np
import pytest
from climate_builders import steps
from hypothesis import given
from hypothesis import strategies as st

from service.climate.cycle_health import HEALTH_LOOKS_BACK_MS, doubt_of, is_cleared
from service.climate.day_view import Channel
from service.climate.likely_causes import (
    BASKING_ALONE,
    DRYING,
    LAMP_OUT,
    WARMING,
    WHOLE_ENCLOSURE,
    cause_of_cooling,
    cause_of_falling_humidity,
    cause_of_overheating,
)
from service.climate.probe_health import (
    Sibling,
    battery_is_low,
    calibration_is_due,
    disagrees,
    end_of_dark_difference,
    impossible_readings,
    is_saturated,
    is_silent,
    is_stuck,
)
from service.climate.psychrometrics import relative_humidity_of, saturation_pressure
from service.climate.ranges import DAY_MS, HOUR_MS, MINUTE_MS
from service.climate.series import Series, series_of
from service.climate.trend import minutes_to_ceiling, trend_of

NOW = 20 * HOUR_MS


def over(hours: float, value: object, every_min: int = 1) -> Series:
    """Return a series of the last hours up to now; the value may be a function of the minutes before now."""
    minute = np.arange(-int(hours * 60), 1, every_min)
    values = value(minute.astype(float)) if callable(value) else np.full(minute.shape, float(value))
    return series_of(NOW + minute * MINUTE_MS, values, every_min * MINUTE_MS)


@pytest.mark.parametrize(("minutes", "silent"), [(10, False), (10.1, True)])
def test_a_fast_channel_may_be_silent_for_ten_minutes(minutes: float, silent: bool) -> None:
    assert is_silent(0, int(minutes * MINUTE_MS), 60_000) is silent


def test_a_slow_channel_may_be_silent_for_three_cadences() -> None:
    assert not is_silent(0, 3 * HOUR_MS, HOUR_MS)
    assert is_silent(0, 3 * HOUR_MS + 1, HOUR_MS)


def a_sibling(moved: float, hours: float = 14) -> Sibling:
    return Sibling(over(hours, lambda m: 20 + moved * (m + hours * 60) / (hours * 60)), resolution=0.1)


@pytest.mark.parametrize(
    ("hours", "siblings", "stuck"),
    [
        (2.9, [a_sibling(9)], False),
        (3.1, [a_sibling(9)], True),
        (3.1, [a_sibling(0.3)], False),
        (13, [a_sibling(0.3)], False),
        (11.9, [], False),
        (12.1, [], True),
    ],
)
def test_a_channel_is_stuck_when_its_enclosure_moves_and_it_does_not(
    hours: float, siblings: list[Sibling], stuck: bool
) -> None:
    series = over(14, lambda m: np.where(m < -hours * 60, 21.0, 25.0))
    assert is_stuck(series, siblings, NOW) is stuck


def test_a_silent_channel_is_not_called_stuck() -> None:
    assert not is_stuck(over(14, 25.0), [], NOW + HOUR_MS)
    assert not is_stuck(series_of([], []), [], NOW)


def test_a_gap_begins_the_time_anew() -> None:
    series = over(14, 25.0)
    kept = (series.at < NOW - 3 * HOUR_MS) | (series.at > NOW - 2 * HOUR_MS)
    assert not is_stuck(series_of(series.at[kept], series.value[kept], MINUTE_MS), [], NOW)


@pytest.mark.parametrize(("moved", "humidity", "wet"), [(3, 99.8, True), (1, 99.8, False), (3, 99.4, False)])
def test_a_wet_element_stays_at_saturation_while_temperature_moves(moved: float, humidity: float, wet: bool) -> None:
    temperature = over(8, lambda m: 22 + moved * (m + 480) / 360)
    assert is_saturated(over(8, humidity), temperature, NOW) is wet


def test_a_wet_hour_is_no_wet_element() -> None:
    humidity = over(8, lambda m: np.where(m < -300, 80.0, 100.0))
    assert not is_saturated(humidity, over(8, lambda m: 22 + m / 60), NOW)


def test_values_outside_the_models_range_and_artefacts_are_impossible() -> None:
    series = steps((0, 20), (1, 85.0), (2, -60), (3, 130), (4, np.nan), (5, 84.0))
    found = impossible_readings(series, "air_temperature", -55, 125, artefacts=(85.0,), resolution=0.0625)
    assert found.tolist() == [False, True, True, True, False, False]


def every_ten_seconds(*values: float) -> Series:
    return series_of(np.arange(len(values)) * 10_000, values, 10_000)


def test_a_jump_and_back_faster_than_the_probe_responds_is_impossible() -> None:
    series = every_ten_seconds(20, 20.1, 45, 44, 20.2, 20.1)
    assert impossible_readings(series, "air_temperature", -40, 125).tolist() == [0, 0, 1, 1, 0, 0]


def test_a_jump_that_stays_is_the_new_state_of_things() -> None:
    moved = every_ten_seconds(20, 20, 35, 35, 35, 35)
    assert not impossible_readings(moved, "air_temperature", -40, 125).any()


def test_a_misting_spike_is_not_impossible_humidity() -> None:
    assert not impossible_readings(every_ten_seconds(55, 55, 90, 92, 70), "relative_humidity", 0, 100).any()
    assert impossible_readings(every_ten_seconds(55, 99, 55), "relative_humidity", 0, 100).tolist() == [0, 1, 0]


def test_a_large_step_between_slow_readings_is_possible() -> None:
    slow = steps((0, 20), (1, 45), (2, 20))
    assert not impossible_readings(slow, "air_temperature", -40, 125).any()


def test_channels_are_compared_at_the_end_of_the_dark() -> None:
    one = over(14, lambda m: np.where(m > -30, 23.0, 30.0))
    assert end_of_dark_difference(one, over(14, 22.0), NOW) == 1.0
    assert np.isnan(end_of_dark_difference(one, over(14, 22.0), NOW + HOUR_MS))


@pytest.mark.parametrize(
    ("nights", "disagree"),
    [
        ([2, 2], False),
        ([2, 2, 2], True),
        ([-2, 2, -2], True),
        ([2, np.nan, 2, 2], True),
        ([2, 2, 2, 0.5], False),
        ([0.5, 2, 2, 2], True),
    ],
)
def test_channels_disagree_after_three_nights_beyond_their_joint_uncertainty(nights: list, disagree: bool) -> None:
    assert disagrees(nights, 1.0) is disagree


def test_calibration_is_due_after_its_months() -> None:
    assert not calibration_is_due(0, 365 * DAY_MS)
    assert calibration_is_due(0, 366 * DAY_MS)
    assert calibration_is_due(0, 200 * DAY_MS, months=6)


@pytest.mark.parametrize(
    ("percent", "volts", "least", "low"),
    [
        (15, None, None, False),
        (14, None, None, True),
        (None, 2.4, 2.5, True),
        (80, 2.6, 2.5, False),
        (None, 2, None, False),
    ],
)
def test_a_battery_is_low_by_percent_or_by_the_models_voltage(
    percent: float | None, volts: float | None, least: float | None, low: bool
) -> None:
    assert battery_is_low(percent, volts, least) is low


def test_a_trend_is_the_least_squares_line_and_knows_its_error() -> None:
    trend = trend_of(over(1, lambda m: 40 + 0.2 * m), NOW, 10)
    assert (trend.slope, trend.level, trend.readings) == (pytest.approx(0.2), pytest.approx(40), 10)
    assert trend.standard_error == pytest.approx(0, abs=1e-9)
    assert trend.minutes_until(42) == pytest.approx(10)
    assert trend.minutes_until(39) == np.inf
    noisy = trend_of(over(1, lambda m: 40 + 0.5 * (m % 2)), NOW, 10)
    assert abs(noisy.slope) < 3 * noisy.standard_error


def test_a_basking_spot_above_its_band_that_keeps_rising_is_heading_over_its_ceiling() -> None:
    rising = over(1, lambda m: 38 + 0.4 * m)
    assert minutes_to_ceiling(rising, NOW, band_high=37, ceiling=41) == pytest.approx(7.5)
    assert minutes_to_ceiling(rising, NOW, band_high=37, ceiling=37.9) == 0
    assert minutes_to_ceiling(rising, NOW, band_high=37, ceiling=43) is None


def test_an_ordinary_warm_up_is_not_heading_over_the_ceiling() -> None:
    assert minutes_to_ceiling(over(1, lambda m: 36 + 0.8 * m), NOW, band_high=37, ceiling=41) is None


def test_noise_above_the_band_is_not_heading_over_the_ceiling() -> None:
    random = np.random.default_rng(4)
    noisy = over(1, lambda m: 38 + random.normal(0, 0.3, m.shape))
    assert minutes_to_ceiling(noisy, NOW, band_high=37, ceiling=39) is None
    assert minutes_to_ceiling(over(1, lambda m: 38 + 0.4 * m, every_min=3), NOW, band_high=37, ceiling=40) is None
    assert minutes_to_ceiling(series_of([], []), NOW, band_high=37, ceiling=39) is None


def test_too_few_readings_have_no_trend() -> None:
    trend = trend_of(over(1, 40.0, every_min=5), NOW, 10)
    assert np.isnan(trend.slope)
    assert trend.minutes_until(41) == np.inf


def test_the_slope_and_its_error_agree_with_the_textbook_formulas() -> None:
    # Second method: numpy.polyfit's own covariance of an unweighted line.
    values = np.array([1.0, 2.5, 2.0, 4.5, 4.0, 6.5])
    series = series_of(np.arange(6) * MINUTE_MS, values, MINUTE_MS)
    trend = trend_of(series, 5 * MINUTE_MS, 10)
    coefficients, covariance = np.polyfit(np.arange(6), values, 1, cov=True)
    assert trend.slope == pytest.approx(coefficients[0])
    assert trend.standard_error == pytest.approx(np.sqrt(covariance[0, 0]))


def test_overheating_with_ambient_rising_is_the_whole_enclosure() -> None:
    assert cause_of_overheating(over(2, lambda m: 27 + m / 30), NOW) == WHOLE_ENCLOSURE
    assert cause_of_overheating(over(2, 27.0), NOW) == BASKING_ALONE
    assert cause_of_overheating(None, NOW) == ""


def test_a_basking_spot_that_falls_to_ambient_within_minutes_has_lost_its_lamp() -> None:
    out = over(2, lambda m: 25 + 10 * np.exp(-np.maximum(m + 30, 0) / 2))
    slow = over(2, lambda m: 25 + 10 * np.exp(-np.maximum(m + 58, 0) / 25))
    ambient = over(2, 24.5)
    assert cause_of_cooling(out, ambient, NOW, lights_should_be_on=True) == LAMP_OUT
    assert cause_of_cooling(slow, ambient, NOW, lights_should_be_on=True) == ""
    assert cause_of_cooling(out, ambient, NOW, lights_should_be_on=False) == ""
    assert cause_of_cooling(over(2, 31.0), ambient, NOW, lights_should_be_on=True) == ""


def test_falling_humidity_is_drying_only_when_water_leaves() -> None:
    warming = over(2, lambda m: 26 + 4 * m / 60)
    same_water = over(2, lambda m: relative_humidity_of(26 + 4 * m / 60, 0.6 * saturation_pressure(22)))
    less_water = over(2, lambda m: 60 - 15 * (m + 120) / 120)
    assert cause_of_falling_humidity(same_water, warming, NOW) == WARMING
    assert cause_of_falling_humidity(less_water, over(2, 25.0), NOW) == DRYING
    assert cause_of_falling_humidity(over(2, 60.0), over(2, 25.0), NOW) == ""


known_values = st.sampled_from([97.0, 99.4, 99.5, 100.0, math.nan])


@given(st.lists(st.tuples(st.integers(1, 90), known_values), min_size=1, max_size=40), st.integers(0, 900), st.data())
def test_what_is_cleared_by_a_few_readings_is_not_doubted(
    steps_and_values: list[tuple[int, float]], since_min: int, data: st.DataObject
) -> None:
    at = np.cumsum([step for step, _ in steps_and_values]) * MINUTE_MS
    value = np.array([v for _, v in steps_and_values])
    now_ms = data.draw(st.integers(0, int(at[-1]) + HOUR_MS))
    # A neighbour that moves all the time: whatever may be stuck is.
    axis = np.arange(0, now_ms + 1, MINUTE_MS)
    warm = Channel("a/air_temperature", "air_temperature", "ambient", Series(axis, axis / HOUR_MS, MINUTE_MS), 1, 1, 0)
    since_ms = since_min * MINUTE_MS
    there = (at >= max(now_ms - HEALTH_LOOKS_BACK_MS, since_ms)) & (at <= now_ms)
    for quantity in ("relative_humidity", "air_temperature"):
        here = Channel("b/it", quantity, "ambient", Series(at[there], value[there], 30 * MINUTE_MS), 1, 1, 0.1)
        cleared = is_cleared(quantity, Series(at, value, MINUTE_MS), np.array([now_ms]), since_ms)
        assert not (cleared[0] and doubt_of(here, [warm], now_ms))


def test_a_channel_that_moves_is_cleared_and_one_that_stands_still_is_not() -> None:
    now = np.array([NOW, NOW - HOUR_MS])
    assert is_cleared("air_temperature", over(14, lambda m: 20 + m / 60), now, 0).all()
    assert not is_cleared("air_temperature", over(14, 20), now, 0).any()
    assert is_cleared("relative_humidity", over(14, lambda m: np.where(m > -30, 100, 80)), now[:1], 0).all()
    assert not is_cleared("relative_humidity", over(14, 100), now, 0).any()
    assert not is_cleared("relative_humidity", series_of([], []), now, 0).any()
