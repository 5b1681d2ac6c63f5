import math
from dataclasses import replace

import numpy as np
import pytest
from climate_builders import A_DAY, Enclosure, an_axis, next_day
from hypothesis import given, settings
from hypothesis import strategies as st

from service.climate.assessment import Channel, DayInput, assess_day
from service.climate.day_cycle import day_span, night_span
from service.climate.ranges import HOUR_MS, MINUTE_MS
from service.climate.series import series_of
from service.climate.targets import Target

BAND = Target(33, 37)


def basking(day: float = 35, night: float = 24, uncertainty: float = 0.5, **more: object) -> Enclosure:
    enclosure = Enclosure()
    return enclosure.measures("basking", enclosure.by_day_and_night(day, night), uncertainty=uncertainty, **more)


def test_a_hot_spot_in_its_band_all_day_is_met() -> None:
    result = basking().check("hot-spot", BAND)
    assert (result.verdict, result.value, result.coverage, result.complete) == ("met", 1.0, 1.0, True)
    assert result.sentence == "Basking spot in its band for 100 % of the day, target 80 %."


def test_a_hot_spot_too_cold_for_a_third_of_the_day_is_not_met() -> None:
    enclosure = Enclosure()
    start, end = day_span(enclosure.photoperiod)
    warm = (enclosure.at - start) / (end - start) > 1 / 3
    result = enclosure.measures("basking", np.where(enclosure.lit & warm, 35.0, 25.0)).check("hot-spot", BAND)
    assert result.verdict == "not met"
    assert result.value == pytest.approx(2 / 3, abs=0.01)
    assert result.details["minutes_below"] == pytest.approx(220, abs=1)
    assert result.sentence == "Basking spot in its band for 67 % of the day, target 80 %."


@pytest.mark.parametrize(
    ("day", "verdict"), [(33.6, "met"), (33.4, "borderline"), (32.6, "borderline"), (32.4, "not met")]
)
def test_a_hot_spot_near_the_end_of_its_band_is_borderline_within_the_probes_uncertainty(
    day: float, verdict: str
) -> None:
    assert basking(day=day).check("hot-spot", BAND).verdict == verdict


def test_a_share_that_just_misses_its_target_is_shown_as_missing_it() -> None:
    enclosure = Enclosure()
    minute = (enclosure.at - day_span(enclosure.photoperiod)[0]) / MINUTE_MS
    enclosure.measures("basking", np.where(minute < 660 * 0.797, 35.0, 25.0))
    result = enclosure.check("hot-spot", BAND)
    assert result.verdict == "not met"
    assert "79.8 %" in result.sentence


def test_warming_up_does_not_count_against_the_hot_spot() -> None:
    enclosure = Enclosure()
    slow = np.where(enclosure.minute < 59, 20.0, 35.0)
    assert enclosure.measures("basking", slow).check("hot-spot", BAND).value == 1


def test_the_hottest_hundredth_of_the_day_is_left_out_of_the_peak() -> None:
    enclosure = Enclosure()
    flash = np.where((enclosure.minute >= 300) & (enclosure.minute < 310), 60.0, 35.0)
    heat = np.where((enclosure.minute >= 300) & (enclosure.minute < 320), 45.0, 35.0)
    assert enclosure.measures("basking", flash).check("hot-spot-peak", Target(high=40)).value == 35
    enclosure.channels.clear()
    result = enclosure.measures("basking", heat).check("hot-spot-peak", Target(high=40))
    assert (result.value, result.verdict) == (45, "not met")


@pytest.mark.parametrize(("minutes", "verdict"), [(100, "met"), (140, "not met")])
def test_warm_up_is_the_time_until_five_warm_minutes(minutes: int, verdict: str) -> None:
    enclosure = Enclosure()
    ramp = np.where(enclosure.minute < minutes, 20.0, 35.0)
    result = enclosure.measures("basking", ramp).check("warm-up", Target(), hot_spot=BAND)
    assert (result.value, result.verdict) == (minutes + 5, verdict)


def test_a_single_warm_minute_is_no_warm_up() -> None:
    enclosure = Enclosure()
    flash = np.where((enclosure.minute == 10) | (enclosure.minute >= 60), 35.0, 20.0)
    assert enclosure.measures("basking", flash).check("warm-up", Target(), hot_spot=BAND).value == 65


def test_a_basking_spot_that_never_warms_fails_as_soon_as_the_time_is_up() -> None:
    enclosure = basking(day=28)
    on = enclosure.photoperiod.on_ms
    early = enclosure.check("warm-up", Target(), now_ms=on + 100 * MINUTE_MS, hot_spot=BAND)
    late = enclosure.check("warm-up", Target(), now_ms=on + 130 * MINUTE_MS, hot_spot=BAND)
    assert (early.verdict, early.complete) == (None, False)
    assert (late.verdict, late.details["reached"]) == ("not met", False)
    assert "not yet warm" in late.sentence


def test_warm_up_without_a_hot_spot_in_the_profile_cannot_be_told() -> None:
    result = basking().check("warm-up", Target())
    assert result.verdict == "no data"
    assert "no lower end for the hot spot" in result.sentence


def test_surface_temperature_is_used_where_it_is_measured() -> None:
    enclosure = basking(day=30).measures("basking", 35.0, "surface_temperature", uncertainty=2, probe="surface")
    assert enclosure.check("hot-spot", BAND).channels == ("surface/surface_temperature",)


def test_of_two_channels_in_a_zone_the_one_with_less_uncertainty_and_coverage_is_used() -> None:
    def only_mornings(at: np.ndarray) -> np.ndarray:
        return at < enclosure.start + 10 * HOUR_MS

    enclosure = Enclosure()
    enclosure.measures("basking", 35.0, uncertainty=0.5, probe="fair")
    enclosure.measures("basking", 35.0, uncertainty=0.1, probe="silent", kept=only_mornings)
    enclosure.measures("basking", 35.0, uncertainty=0.3, probe="good")
    assert enclosure.check("hot-spot", BAND).channels == ("good/air_temperature",)


def test_a_zone_without_a_channel_is_no_data_with_the_reason() -> None:
    result = Enclosure().measures("cool-end", 25.0).check("hot-spot", BAND)
    assert (result.verdict, result.zone, result.channels) == ("no data", "", ())
    assert result.sentence == "Basking spot: no verdict, no temperature channel in the basking zone."


def test_too_little_coverage_is_no_data_with_its_coverage() -> None:
    enclosure = Enclosure()
    enclosure.measures("basking", 35.0, kept=lambda at: (at - enclosure.start) % HOUR_MS < 25 * MINUTE_MS)
    result = enclosure.check("hot-spot", BAND)
    assert result.verdict == "no data"
    assert math.isnan(result.value)
    assert 0.4 < result.coverage < 0.55
    assert "readings cover" in result.sentence


def test_a_tenth_of_the_readings_missing_at_random_changes_no_verdict() -> None:
    keep = np.random.default_rng(5).random(4000) > 0.1
    result = basking(kept=lambda at: keep[: len(at)]).check("hot-spot", BAND)
    assert (result.verdict, result.value) == ("met", 1.0)


@pytest.mark.parametrize("every_s", [1, 3600])
def test_a_cadence_of_a_second_and_of_an_hour_give_the_same_verdict(every_s: int) -> None:
    enclosure = Enclosure(every_s=every_s)
    enclosure.measures("basking", enclosure.by_day_and_night(35, 24))
    assert enclosure.check("hot-spot", BAND).verdict == "met"


def test_a_running_day_has_no_verdict_but_a_failure_that_nothing_can_mend() -> None:
    failing, passing = basking(day=30), basking(day=35)
    noon, evening = passing.photoperiod.on_ms + 3 * HOUR_MS, passing.photoperiod.on_ms + 5 * HOUR_MS
    early = failing.check("hot-spot", BAND, now_ms=noon)
    assert (early.verdict, early.complete, early.value) == (None, False, 0)
    assert "so far" in early.sentence
    assert failing.check("hot-spot", BAND, now_ms=evening).verdict == "not met"
    assert passing.check("hot-spot", BAND, now_ms=evening).verdict is None


def test_a_peak_that_lasted_too_long_already_fails_the_running_day() -> None:
    enclosure = basking(day=45)
    assert enclosure.check("hot-spot-peak", Target(high=40), enclosure.photoperiod.on_ms + HOUR_MS).verdict == "not met"


def night(day: float = 27, dark: float = 23, zone: str = "ambient") -> Enclosure:
    enclosure = Enclosure()
    return enclosure.measures(zone, enclosure.by_day_and_night(day, dark), uncertainty=0.6)


def test_a_night_drop_of_one_channel_is_freed_of_its_offset() -> None:
    result = night().check("night-drop", Target(2, 4.1))
    assert result.value == pytest.approx(4)
    assert result.uncertainty == pytest.approx(0.2)
    assert result.verdict == "borderline"
    assert night().check("night-drop", Target(2, 4.3)).verdict == "met"


def test_ambient_falls_back_on_the_cool_end_and_says_so() -> None:
    result = night(zone="cool-end").measures("warm-end", 30.0).check("night-drop", Target(2, 6))
    assert result.zone == "cool-end"
    assert result.sentence == "Night drop 4.0 °C (measured at the cool end), target 2.0 to 6.0 °C."


@pytest.mark.parametrize("check", ["night-drop", "night-floor", "night-ceiling"])
def test_an_enclosure_without_lights_has_no_night_to_judge(check: str) -> None:
    result = Enclosure(lights=None).measures("ambient", 25.0).check(check, Target(20, 30))
    assert result.verdict == "no data"
    assert "no lights" in result.sentence


@pytest.mark.parametrize(("dark", "verdict"), [(20.7, "met"), (20.3, "borderline"), (19.3, "not met")])
def test_the_night_is_held_against_its_floor(dark: float, verdict: str) -> None:
    assert night(dark=dark).check("night-floor", Target(low=20)).verdict == verdict


@pytest.mark.parametrize(("dark", "verdict"), [(24.3, "met"), (24.9, "borderline"), (25.7, "not met")])
def test_the_night_is_held_against_its_ceiling(dark: float, verdict: str) -> None:
    assert night(dark=dark).check("night-ceiling", Target(high=25)).verdict == verdict


def test_a_night_still_to_come_has_no_verdict() -> None:
    enclosure = night()
    result = enclosure.check("night-drop", Target(2, 6), now_ms=enclosure.photoperiod.off_ms)
    assert (result.verdict, result.complete) == (None, False)
    assert "still to come" in result.sentence


def test_a_days_summary_is_the_worst_of_its_checks() -> None:
    enclosure = basking().measures("ambient", 25.0)
    met = {"hot-spot": BAND}
    assert assess_day(enclosure.given(met)).verdict == "met"
    assert assess_day(enclosure.given(met | {"cool-retreat": Target(high=28)})).verdict == "no data"
    assert assess_day(enclosure.given(met | {"night-drop": Target(2, 4)})).verdict == "not met"


def test_a_running_day_has_no_summary_until_something_is_beyond_mending() -> None:
    enclosure = basking(day=30)
    targets = {"hot-spot": BAND, "cool-retreat": Target(high=28)}
    on = enclosure.photoperiod.on_ms
    assert assess_day(enclosure.given(targets, now_ms=on + HOUR_MS)).verdict is None
    assert assess_day(enclosure.given(targets, now_ms=on + 6 * HOUR_MS)).verdict == "not met"


def test_only_the_checks_that_the_profile_states_are_made() -> None:
    found = assess_day(basking().given({"hot-spot-peak": Target(high=40), "hot-spot": BAND}))
    assert [result.check for result in found.checks] == ["hot-spot", "hot-spot-peak"]


@settings(max_examples=25)
@given(st.integers(-11, 12), st.integers(0, 2**32 - 1))
def test_shifting_the_time_zone_shifts_the_day_and_no_verdict(hours: int, seed: int) -> None:
    values = 35 + np.random.default_rng(seed).normal(0, 2, 24 * 60)
    shift = hours * HOUR_MS

    def verdicts(offset: int) -> list[object]:
        enclosure = Enclosure()
        p = enclosure.photoperiod
        moved = replace(p, on_ms=p.on_ms + offset, off_ms=p.off_ms + offset, next_on_ms=p.next_on_ms + offset)
        at = an_axis(enclosure.start, enclosure.end) + offset
        channel = Channel("a/air_temperature", "air_temperature", "basking", series_of(at, values), 0.3, 0.1, 0.1)
        given_day = enclosure.given({"hot-spot": BAND, "hot-spot-peak": Target(high=40), "warm-up": Target()})
        day: DayInput = replace(
            given_day,
            start_ms=given_day.start_ms + offset,
            end_ms=given_day.end_ms + offset,
            photoperiod=moved,
            channels=[channel],
        )
        return [(r.verdict, r.value, r.coverage, r.sentence) for r in assess_day(day).checks]

    assert verdicts(shift) == verdicts(0)


def test_the_night_of_a_day_ends_on_the_next_date() -> None:
    span = night().check("night-floor", Target(low=20)).span
    assert span == night_span(Enclosure().photoperiod)
    assert span[1] > Enclosure(day=next_day(A_DAY)).start
