"""The data here are physical: temperature and vapour pressure are given, relative humidity follows from them."""

import math
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from climate_builders import an_axis
from hypothesis import given, settings
from hypothesis import strategies as st

from service.climate.day_view import Cycle
from service.climate.misting import MistingResult, Surroundings, judge_cycle, judge_cycles
from service.climate.psychrometrics import relative_humidity_of, saturation_pressure
from service.climate.ranges import DAY_MS, HOUR_MS, MINUTE_MS, Floats
from service.climate.series import series_of
from service.climate.spikes import lowest_before, running_baseline, unscheduled_spikes
from service.climate.zone_air import ZoneAir, zone_air

T0 = 1_773_129_600_000  # 2026-03-10 08:00 UTC
UTC = ZoneInfo("UTC")
CYCLE = Cycle(T0, 45, "schedule")


def minutes(every_s: float = 60, before: float = 150, after: float = 300) -> Floats:
    return (an_axis(T0 - int(before * MINUTE_MS), T0 + int(after * MINUTE_MS), every_s) - T0) / MINUTE_MS


def pulse(minute: Floats, added_pa: float, at: float = 0, rise: float = 3, decay: float = 40) -> Floats:
    """Return vapour pressure that a misting pulse adds: up within minutes, ventilated away after."""
    since = np.maximum(minute - at, 0)
    return np.where(minute > at, added_pa * (1 - np.exp(-since / rise)) * np.exp(-since / decay), 0.0)


def air(
    minute: Floats,
    temperature: Floats | float,
    vapour: Floats | float,
    *,
    noise: float = 0.0,
    resolution: float = 0.0,
    kept: Floats | None = None,
    humidity_repeat: float = 0.7,
    temperature_repeat: float = 0.1,
    seed: int = 0,
) -> ZoneAir:
    at = T0 + np.rint(minute * MINUTE_MS).astype(np.int64)
    t = np.broadcast_to(np.asarray(temperature, dtype=float), at.shape)
    rh = np.minimum(100, relative_humidity_of(t, np.broadcast_to(vapour, at.shape)))
    random = np.random.default_rng(seed)
    rh, t = rh + random.normal(0, noise, at.shape), t + random.normal(0, noise / 10, at.shape)
    if resolution:
        rh, t = np.round(rh / resolution) * resolution, np.round(t, 1)
    rh = np.clip(rh, 0, 100)
    keep = np.ones(at.shape, dtype=bool) if kept is None else kept
    cadence = int(np.median(np.diff(at)))
    wet, warm = series_of(at[keep], rh[keep], cadence), series_of(at[keep], t[keep], cadence)
    return zone_air(wet, warm, 0.0, humidity_repeat, temperature_repeat)


def judged(
    of: ZoneAir, now_min: float = 300, next_min: float | None = None, lights_on: int | None = None
) -> MistingResult:
    following = None if next_min is None else T0 + int(next_min * MINUTE_MS)
    return judge_cycle(of, CYCLE, Surroundings(T0 + int(now_min * MINUTE_MS), following, lights_on, UTC))


def e(temperature: float, humidity: float) -> float:
    return float(humidity / 100 * saturation_pressure(temperature))


def cooling(minute: Floats, start: float, end: float, time_constant: float = 25) -> Floats:
    """Return an enclosure that cools, or warms, from the moment of the cycle."""
    return np.where(minute <= 0, start, end + (start - end) * np.exp(-np.maximum(minute, 0) / time_constant))


@pytest.mark.parametrize("every_s", [10, 60, 300])
def test_a_working_cycle_is_confirmed_with_its_rise_and_decay(every_s: float) -> None:
    m = minutes(every_s)
    result = judged(air(m, 25.0, e(25, 60) + pulse(m, 900)))
    assert result.verdict == "confirmed"
    assert 18 < result.response < 24
    assert 5 <= result.rise_minutes <= 10
    assert 25 <= result.decay_minutes <= 35
    assert result.baseline_humidity == pytest.approx(60)
    assert result.sentence.startswith("Misting at 08:00 confirmed:")


def test_lights_off_with_a_dead_pump_is_never_confirmed_although_humidity_climbs() -> None:
    m = minutes()
    result = judged(air(m, cooling(m, 28, 22), e(28, 55)))
    in_window = relative_humidity_of(cooling(np.array([20.0]), 28, 22), e(28, 55))[0] - 55
    assert in_window > 10
    assert result.verdict == "none"
    assert abs(result.response) < 0.5
    assert result.temperature_moving
    assert "temperature was moving" in result.sentence


@settings(max_examples=150)
@given(
    warm=st.floats(24, 36),
    drop=st.floats(3, 9),
    humidity=st.floats(30, 80),
    time_constant=st.floats(5, 60),
    lost=st.floats(0, 0.3),
    seed=st.integers(0, 1000),
    every_s=st.sampled_from([10, 30, 60, 120, 300]),
)
def test_cooling_without_water_is_never_confirmed(
    warm: float, drop: float, humidity: float, time_constant: float, lost: float, seed: int, every_s: int
) -> None:
    m = minutes(every_s)
    vapour = e(warm, humidity) * (1 - lost * np.clip(m / 120, 0, 1))
    dead = air(m, cooling(m, warm, warm - drop, time_constant), vapour, noise=0.3, resolution=0.1, seed=seed)
    assert judged(dead).verdict in {"none", "weak", "saturated"}


@settings(max_examples=100)
@given(
    rise=st.floats(2, 9),
    humidity=st.floats(50, 85),
    time_constant=st.floats(5, 40),
    followed=st.floats(0, 1),
    seed=st.integers(0, 1000),
)
def test_wet_ground_in_warming_air_with_a_dead_pump_is_never_confirmed(
    rise: float, humidity: float, time_constant: float, followed: float, seed: int
) -> None:
    # Evaporation from wet ground can hold relative humidity while the air warms: all of the way, or a part of it.
    m = minutes()
    temperature = cooling(m, 22, 22 + rise, time_constant)
    held = humidity / 100 * saturation_pressure(temperature)
    vapour = followed * held + (1 - followed) * e(22, humidity)
    of = air(m, temperature, vapour, noise=0.3, resolution=0.1, seed=seed)
    assert judged(of).verdict in {"none", "weak", "saturated"}
    assert spikes(of) == ()


def test_the_sentence_of_a_warming_wet_enclosure_says_why_it_is_weak() -> None:
    m = minutes()
    temperature = cooling(m, 22, 28, 10)
    result = judged(air(m, temperature, 0.8 * saturation_pressure(temperature)))
    assert result.response > 15
    assert result.verdict == "weak"
    assert "humidity itself did not rise" in result.sentence


@settings(max_examples=100)
@given(drop=st.floats(-6, 6), humidity=st.floats(35, 65), seed=st.integers(0, 1000))
def test_a_working_pump_is_confirmed_whatever_the_temperature_does(drop: float, humidity: float, seed: int) -> None:
    m = minutes()
    vapour = e(27, humidity) + pulse(m, 1000)
    result = judged(air(m, cooling(m, 27, 27 - drop), vapour, noise=0.3, resolution=0.1, seed=seed))
    assert result.verdict == "confirmed"


def test_warming_lamps_with_a_working_pump_may_hide_the_rise_of_humidity_but_not_of_water() -> None:
    m = minutes()
    temperature = cooling(m, 22, 29, time_constant=10)
    works = air(m, temperature, e(22, 60) + pulse(m, 700))
    assert works.humidity[(m > 0) & (m <= 20)].max() < 75
    assert judged(works).verdict == "confirmed"


@pytest.mark.parametrize(
    ("added_pa", "verdict"), [(0, "none"), (60, "none"), (200, "weak"), (420, "weak"), (480, "confirmed")]
)
def test_a_small_response_is_weak_and_one_in_the_noise_is_none(added_pa: float, verdict: str) -> None:
    m = minutes()
    assert judged(air(m, 25.0, e(25, 60) + pulse(m, added_pa))).verdict == verdict


def test_a_noisy_channel_must_show_more() -> None:
    m = minutes()
    quiet = judged(air(m, 25.0, e(25, 60) + pulse(m, 180), seed=3))
    noisy = judged(air(m, 25.0, e(25, 60) + pulse(m, 180), noise=2, seed=3))
    assert (quiet.noise, quiet.verdict) == (2.0, "weak")
    assert noisy.noise > 4


def test_uncertainty_of_both_channels_guards_the_verdict() -> None:
    m = minutes()
    vapour = e(25, 60) + pulse(m, 560)
    sure = judged(air(m, 25.0, vapour, humidity_repeat=0.3, temperature_repeat=0.05))
    unsure = judged(air(m, 25.0, vapour, humidity_repeat=4, temperature_repeat=0.05))
    warm = judged(air(m, 25.0, vapour, humidity_repeat=0, temperature_repeat=0.5))
    assert (sure.verdict, unsure.verdict) == ("confirmed", "weak")
    # 60 %RH at 25 °C falls by about 3.5 points a degree (constant vapour pressure).
    assert warm.uncertainty == pytest.approx(0.5 * 3.5, abs=0.15)


def test_air_near_saturation_has_no_room_to_show_anything_and_says_so() -> None:
    m = minutes()
    result = judged(air(m, 25.0, e(25, 93) + pulse(m, 900)))
    assert result.verdict == "saturated"
    assert "had no room to show it" in result.sentence


def test_air_that_cools_into_saturation_hides_a_working_pump_too() -> None:
    m = minutes()
    assert judged(air(m, cooling(m, 27, 21, 8), e(27, 85))).verdict == "saturated"


@pytest.mark.parametrize(("first", "last"), [(-10, 0), (2, 15)])
def test_a_window_with_a_long_gap_is_no_data(first: float, last: float) -> None:
    m = minutes()
    result = judged(air(m, 25.0, e(25, 60) + pulse(m, 900), kept=(m < first - 4) | (m > last)))
    assert result.verdict == "no data"
    assert result.spike is None


def test_readings_an_hour_apart_cannot_show_a_spike() -> None:
    m = minutes(3600)
    result = judged(air(m, 25.0, e(25, 60) + pulse(m, 900)))
    assert result.verdict == "no data"
    assert "too far apart" in result.sentence


def test_a_tenth_of_the_readings_missing_at_random_changes_no_verdict() -> None:
    m = minutes()
    kept = np.random.default_rng(2).random(m.shape) > 0.1
    assert judged(air(m, 25.0, e(25, 60) + pulse(m, 900), kept=kept)).verdict == "confirmed"
    assert judged(air(m, 25.0, e(25, 60), kept=kept)).verdict == "none"


def test_a_cycle_under_way_is_confirmed_early_or_not_judged_yet() -> None:
    m = minutes()
    works, dead = air(m, 25.0, e(25, 60) + pulse(m, 900)), air(m, 25.0, e(25, 60))
    early, waiting = judged(works, now_min=8), judged(dead, now_min=8)
    assert (early.verdict, early.complete) == ("confirmed", False)
    assert (waiting.verdict, waiting.complete) == (None, False)
    assert "not over yet" in waiting.sentence


def test_readings_after_now_are_not_used() -> None:
    m = minutes()
    assert judged(air(m, 25.0, e(25, 60) + pulse(m, 2000, at=9)), now_min=8).verdict is None


def test_decay_ends_with_the_next_cycle() -> None:
    m = minutes()
    result = judged(air(m, 25.0, e(25, 60) + pulse(m, 900, decay=400)), next_min=60)
    assert result.rise_minutes + result.decay_minutes == 60
    assert result.spike == (T0, T0 + HOUR_MS)


def test_a_spike_ends_when_added_humidity_has_fallen_to_a_third_and_after_three_hours_at_the_latest() -> None:
    m = minutes()
    brief = judged(air(m, 25.0, e(25, 60) + pulse(m, 900)))
    lasting = judged(air(m, 25.0, e(25, 60) + pulse(m, 900, decay=1e6)))
    assert 45 < (brief.spike[1] - T0) / MINUTE_MS < 60
    assert (lasting.spike[1] - T0) / MINUTE_MS == 180


def test_an_hour_after_lights_on_the_temperature_counts_as_moving() -> None:
    m = minutes()
    steady = air(m, 25.0, e(25, 60) + pulse(m, 900))
    assert judged(steady, lights_on=T0 - 30 * MINUTE_MS).temperature_moving
    assert not judged(steady, lights_on=T0 - 90 * MINUTE_MS).temperature_moving


def pulsed(m: Floats, *parts: tuple[float, float]) -> list[MistingResult]:
    """Judge cycles at minutes after eight, each adding so much vapour pressure."""
    vapour = e(25, 70) + sum(pulse(m, added, at=at) for at, added in parts)
    cycles = [Cycle(T0 + int(at * MINUTE_MS), 45, "schedule") for at, _ in parts]
    around = Surroundings(T0 + 5 * HOUR_MS, None, None, UTC)
    return list(judge_cycles(air(m, 25.0, vapour, noise=0.2), cycles, around, T0, T0 + DAY_MS))


def test_a_cycle_soon_after_another_is_not_lost_in_the_others_rise() -> None:
    first, second = pulsed(minutes(), (0, 600), (15, 450))
    assert (first.verdict, second.verdict) == ("confirmed", "weak")
    assert second.noise == 2.0


def test_a_cycle_whose_water_wet_air_does_not_show_cannot_be_told() -> None:
    first, second = pulsed(minutes(), (0, 600), (15, 0))
    assert (first.verdict, second.verdict) == ("confirmed", "saturated")
    assert "still wet from the cycle 15 min before" in second.sentence


def test_two_dead_cycles_in_a_row_are_both_none() -> None:
    assert [r.verdict for r in pulsed(minutes(), (0, 0), (15, 0))] == ["none", "none"]


def test_only_cycles_of_the_span_that_have_begun_are_judged() -> None:
    m = minutes()
    of = air(m, 25.0, e(25, 60))
    cycles = [Cycle(T0 + h * HOUR_MS, 45, "schedule") for h in (4, -1, 0, 2)]
    around = Surroundings(T0 + 3 * HOUR_MS, None, None, UTC)
    assert [r.at_ms for r in judge_cycles(of, cycles, around, T0, T0 + DAY_MS)] == [T0, T0 + 2 * HOUR_MS]
    assert judge_cycles(of, [], around, T0, T0 + DAY_MS) == ()


def test_a_corrected_humidity_just_above_saturation_counts_as_saturation() -> None:
    m = minutes()
    at = T0 + np.rint(m * MINUTE_MS).astype(np.int64)
    above = zone_air(series_of(at, np.full(m.shape, 101.5)), series_of(at, np.full(m.shape, 25.0)), uncertainty=2)
    beyond = zone_air(series_of(at, np.full(m.shape, 104.0)), series_of(at, np.full(m.shape, 25.0)), uncertainty=2)
    assert above.humidity.max() == 100
    assert np.isnan(beyond.humidity).all()


def test_temperatures_out_of_the_formulas_range_are_unknown_not_an_error() -> None:
    m = minutes()
    at = T0 + np.rint(m * MINUTE_MS).astype(np.int64)
    of = zone_air(series_of(at, np.full(m.shape, 60.0)), series_of(at, np.full(m.shape, 85.0)))
    assert judged(of).verdict == "no data"


def spikes(of: ZoneAir, cycles: list[int] | None = None, now_min: float = 300) -> tuple[object, ...]:
    start = T0 - 2 * HOUR_MS
    return unscheduled_spikes(of, cycles or [], start, T0 + 4 * HOUR_MS, T0 + int(now_min * MINUTE_MS))


def day_minutes() -> Floats:
    return minutes(before=300, after=420)


def test_hand_misting_is_an_unscheduled_spike() -> None:
    m = day_minutes()
    (spike,) = spikes(air(m, 25.0, e(25, 60) + pulse(m, 900), noise=0.3, resolution=0.1))
    assert abs(spike.foot_ms - T0) <= 2 * MINUTE_MS
    assert 4 <= (spike.peak_ms - T0) / MINUTE_MS <= 10
    assert 18 < spike.added < 24
    assert 20 < (spike.end_ms - T0) / MINUTE_MS < 60


def test_a_peak_soon_after_a_cycle_is_the_cycles() -> None:
    m = day_minutes()
    of = air(m, 25.0, e(25, 60) + pulse(m, 900))
    assert spikes(of, [T0 - 10 * MINUTE_MS]) == ()
    assert len(spikes(of, [T0 - 40 * MINUTE_MS])) == 1


def test_a_second_hand_misting_on_the_tail_of_the_first_is_seen() -> None:
    m = day_minutes()
    of = air(m, 25.0, e(25, 60) + pulse(m, 900, decay=20) + pulse(m, 1000, at=45, decay=20))
    assert len(spikes(of)) == 2


def test_evaporation_under_warming_lamps_is_no_spike() -> None:
    m = day_minutes()
    ramp = 1 + 0.5 * np.clip(m / 90, 0, 1)
    assert spikes(air(m, cooling(m, 22, 28, 30), e(22, 60) * ramp)) == ()


def test_cooling_is_no_spike() -> None:
    m = day_minutes()
    of = air(m, cooling(m, 30, 22, 10), e(30, 55), noise=0.3)
    assert of.humidity.max() - of.humidity[0] > 20
    assert spikes(of) == ()


def test_the_return_from_a_wet_hour_is_no_spike() -> None:
    m = day_minutes()
    door_opened = np.where((m > -60) & (m <= 0), e(25, 85), e(25, 60))
    rises = spikes(air(m, 25.0, door_opened))
    assert [s.peak_ms < T0 for s in rises] == [True]


def test_a_rise_of_which_a_part_is_not_known_is_no_spike() -> None:
    m = day_minutes()
    of = air(m, 25.0, e(25, 60) + pulse(m, 900), kept=(m < -8) | (m > 4))
    assert spikes(of) == ()


def test_no_readings_give_no_spikes() -> None:
    empty = zone_air(series_of([], []), series_of([], []))
    assert spikes(empty) == ()


@given(st.lists(st.integers(500, 3000), min_size=1, max_size=200))
def test_the_running_baseline_is_the_median_of_the_hour_before(values: list[int]) -> None:
    vapour = np.array(values, dtype=float)
    found = running_baseline(vapour)
    assert np.isnan(found[:30]).all()
    for i in range(60, len(values)):
        before = np.sort(vapour[i - 60 : i])
        assert found[i] == before[30]


known_or_not = st.floats(500, 3000) | st.just(math.nan)


@given(st.lists(st.one_of(known_or_not, known_or_not, known_or_not), min_size=1, max_size=200))
def test_the_running_baseline_is_never_below_the_least_of_the_hour_before(values: list[float]) -> None:
    vapour = np.array(values)
    lowest, baseline = lowest_before(vapour), running_baseline(vapour)
    assert not (baseline < lowest).any()
    filled, last = [], next((v for v in values if not math.isnan(v)), math.nan)
    for value in values:
        last = last if math.isnan(value) else value
        filled.append(last)
    before = filled[:1] * 60 + filled
    assert lowest.tolist() == pytest.approx([min(before[i : i + 60]) for i in range(len(values))], nan_ok=True)
