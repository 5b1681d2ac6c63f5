from zoneinfo import ZoneInfo

import numpy as np
import pytest
from climate_builders import Enclosure

from service.climate.assessment import CheckResult, Clutch, Cycle, DayAssessment, assess_day
from service.climate.day_cycle import day_span
from service.climate.incubation import degree_days, hatch_window
from service.climate.psychrometrics import relative_humidity_of, saturation_pressure
from service.climate.ranges import DAY_MS, HOUR_MS, MINUTE_MS, Floats
from service.climate.series import series_of, share_within
from service.climate.targets import Target


def wet(enclosure: Enclosure, pulses: list[float], base: float = 60, added_pa: float = 900) -> Floats:
    """Return humidity at 25 °C with misting pulses at minutes after lights on."""
    vapour = np.full(enclosure.at.shape, base / 100 * float(saturation_pressure(25)))
    for start in pulses:
        since = np.maximum(enclosure.minute - start, 0)
        vapour = vapour + added_pa * (1 - np.exp(-since / 3)) * np.exp(-since / 40)
    return np.minimum(100, relative_humidity_of(25.0, vapour))


def misted(pulses: list[float], base: float = 60, zone: str = "ambient", **more: object) -> Enclosure:
    enclosure = Enclosure()
    enclosure.measures(zone, wet(enclosure, pulses, base), "relative_humidity", 2.0, **more)
    return enclosure.measures(zone, 25.0, uncertainty=0.3, **more)


def cycles(enclosure: Enclosure, *starts: float) -> list[Cycle]:
    return [Cycle(enclosure.photoperiod.on_ms + int(m * MINUTE_MS), 45, "schedule") for m in starts]


def assessed(
    enclosure: Enclosure, starts: tuple[float, ...], targets: dict[str, Target], **more: object
) -> DayAssessment:
    return assess_day(enclosure.given(targets, cycles(enclosure, *starts), **more))


def only(day: DayAssessment) -> CheckResult:
    (result,) = day.checks
    return result


def test_the_humidity_band_leaves_the_spikes_out() -> None:
    enclosure = misted([90, 200, 310, 420, 530, 640])
    band = Target(50, 74, share=0.9)
    inside = enclosure.check("humidity-day", band)
    assert inside.verdict == "met"
    humidity = enclosure.channels[0].series
    assert share_within(humidity, band.low, band.high, [day_span(enclosure.photoperiod)]) < 0.8
    assert len(assess_day(enclosure.given({})).spikes) == 6
    assert "outside spikes" in inside.sentence


def test_a_wet_day_is_no_spike_and_fails_the_band() -> None:
    enclosure = misted([], base=85)
    result = enclosure.check("humidity-day", Target(50, 75))
    assert (result.verdict, result.value) == ("not met", 0)


def test_humidity_by_night_has_its_own_band() -> None:
    assert misted([], base=70).check("humidity-night", Target(60, 80)).verdict == "met"


def test_humidity_without_temperature_still_has_its_band_but_no_misting_verdict() -> None:
    enclosure = Enclosure()
    enclosure.measures("canopy", 60.0, "relative_humidity", 2.0)
    day = assessed(enclosure, (30,), {"humidity-day": Target(50, 70), "misting-cycles": Target()})
    band, proof = day.checks
    assert band.verdict == "met"
    assert "measured at the canopy" in band.sentence
    assert proof.verdict == "no data"
    assert "no air temperature beside the humidity at the canopy" in proof.sentence
    assert [c.verdict for c in day.misting] == ["no data"]


def test_a_moist_retreat_is_not_the_enclosures_air() -> None:
    enclosure = Enclosure().measures("retreat", 95.0, "relative_humidity", 2.0)
    assert enclosure.check("humidity-day", Target(50, 70)).verdict == "no data"


def test_every_due_cycle_must_be_confirmed() -> None:
    both = assessed(misted([30, 570]), (30, 570), {"misting-cycles": Target()})
    one = assessed(misted([30]), (30, 570), {"misting-cycles": Target()})
    assert (only(both).verdict, only(both).value) == ("met", 1)
    assert (only(one).verdict, only(one).value) == ("not met", 0.5)
    assert only(one).sentence == "Misting: 1 of 2 cycles confirmed, target 2."
    assert [c.verdict for c in one.misting] == ["confirmed", "none"]


def test_a_share_of_the_cycles_may_be_enough() -> None:
    assert only(assessed(misted([30]), (30, 570), {"misting-cycles": Target(share=0.5)})).verdict == "met"


def test_a_profile_may_ask_for_more_added_humidity_than_usual() -> None:
    strict = assessed(misted([30]), (30,), {"misting-cycles": Target(low=30)})
    assert only(strict).verdict == "not met"
    assert [c.verdict for c in strict.misting] == ["weak"]


def test_a_day_counts_its_cycles_by_verdict_and_its_other_spikes() -> None:
    day = assessed(misted([30, 300]), (30, 570), {})
    counts = {"confirmed": 1, "weak": 0, "none": 1, "saturated": 0, "no_data": 0, "unscheduled": 1}
    assert day.spike_counts == counts


def test_cycles_that_cannot_be_judged_leave_no_verdict() -> None:
    result = only(assessed(misted([30, 570], base=94), (30, 570), {"misting-cycles": Target()}))
    assert result.verdict == "no data"
    assert "2 cycles cannot be judged" in result.sentence
    assert result.details["saturated"] == 2


def test_no_cycle_due_is_no_data_with_the_reason() -> None:
    result = only(assessed(misted([]), (), {"misting-cycles": Target()}))
    assert result.verdict == "no data"
    assert "no cycle was due" in result.sentence


def test_a_failed_cycle_fails_the_running_day_and_a_cycle_to_come_does_not() -> None:
    enclosure = misted([])
    on = enclosure.photoperiod.on_ms
    waiting = only(assessed(enclosure, (30, 570), {"misting-cycles": Target()}, now_ms=on + 40 * MINUTE_MS))
    failed = only(assessed(enclosure, (30, 570), {"misting-cycles": Target()}, now_ms=on + 60 * MINUTE_MS))
    assert (waiting.verdict, waiting.complete) == (None, False)
    assert (failed.verdict, failed.complete) == ("not met", False)


@pytest.mark.parametrize(
    ("target", "verdict"), [(Target(2, 4), "met"), (Target(low=4), "not met"), (Target(high=2), "not met")]
)
def test_spikes_of_cycles_and_by_hand_are_counted_together(target: Target, verdict: str) -> None:
    result = only(assessed(misted([30, 300, 570]), (30, 570), {"humidity-spikes": target}))
    assert (result.value, result.verdict) == (3, verdict)
    assert "3 (2 from misting, 1 besides)" in result.sentence


def test_too_few_spikes_do_not_fail_a_day_that_is_not_over() -> None:
    enclosure = misted([30])
    result = only(
        assessed(enclosure, (30,), {"humidity-spikes": Target(low=2)}, now_ms=enclosure.photoperiod.on_ms + 6 * HOUR_MS)
    )
    assert result.verdict is None


def test_too_few_spikes_cannot_be_told_when_most_of_the_day_is_unknown() -> None:
    enclosure = Enclosure()
    enclosure.measures("ambient", 60.0, "relative_humidity", 2, kept=lambda at: at < enclosure.start + 6 * HOUR_MS)
    enclosure.measures("ambient", 25.0)
    assert enclosure.check("humidity-spikes", Target(low=2)).verdict == "no data"


@pytest.mark.parametrize(
    ("hours", "verdict"), [(4, "met"), (7, "not met")], ids=["dries in between", "stays wet too long"]
)
def test_dry_down_is_the_longest_wet_time_at_a_stretch(hours: float, verdict: str) -> None:
    enclosure = Enclosure()
    value = np.where((enclosure.minute >= 60) & (enclosure.minute < 60 + hours * 60), 96.0, 60.0)
    result = enclosure.measures("ambient", value, "relative_humidity", 2.0).check("dry-down", Target(high=6))
    assert (result.value, result.verdict) == (hours, verdict)


def test_a_wet_night_is_looked_at_whole() -> None:
    enclosure = Enclosure()
    enclosure.measures("ambient", np.where(enclosure.minute > 14 * 60, 97.0, 60.0), "relative_humidity", 2.0)
    assert enclosure.check("dry-down", Target(high=8)).value == pytest.approx(10, abs=0.05)


def test_a_wet_level_within_the_probes_uncertainty_is_borderline() -> None:
    enclosure = Enclosure()
    enclosure.measures("ambient", 91.0, "relative_humidity", 2.0)
    assert enclosure.check("dry-down", Target(high=6)).verdict == "borderline"


def test_a_gradient_adds_both_uncertainties_in_quadrature() -> None:
    enclosure = Enclosure()
    enclosure.measures("basking", enclosure.by_day_and_night(35, 24), uncertainty=0.4)
    enclosure.measures("cool-end", enclosure.by_day_and_night(25, 23), uncertainty=0.3)
    result = enclosure.check("gradient", Target(low=9))
    assert (result.value, result.verdict) == (10, "met")
    assert result.uncertainty == pytest.approx(0.5)
    assert result.sentence == "Gradient 10.0 °C from the basking zone to the cool end, target at least 9.0 °C."
    assert enclosure.check("gradient", Target(low=9.6)).verdict == "borderline"


def test_a_gradient_is_matched_in_time_between_channels_of_different_cadence() -> None:
    enclosure = Enclosure()
    swing = 3 * np.sin(enclosure.minute / 60)
    enclosure.measures("warm-end", 32 + swing)
    enclosure.measures("cool-end", 25 + swing, kept=lambda at: (at - at[0]) % (5 * MINUTE_MS) == 0)
    result = enclosure.check("gradient", Target(low=5))
    assert result.value == pytest.approx(7, abs=0.05)
    assert result.zone == "warm-end"


def test_a_gradient_without_a_cool_end_is_no_data() -> None:
    result = Enclosure().measures("basking", 35.0).check("gradient", Target(low=5))
    assert result.verdict == "no data"
    assert "cool end" in result.sentence


@pytest.mark.parametrize(("hot_minutes", "verdict"), [(20, "met"), (60, "not met")])
def test_the_retreat_must_stay_cool_nearly_all_day(hot_minutes: int, verdict: str) -> None:
    enclosure = Enclosure()
    hot = (enclosure.minute >= 200) & (enclosure.minute < 200 + hot_minutes)
    result = enclosure.measures("cool-end", np.where(hot, 31.0, 25.0)).check("cool-retreat", Target(high=28))
    assert result.verdict == verdict


def lit_for(hours: float) -> Enclosure:
    enclosure = Enclosure()
    lit = (enclosure.minute >= 0) & (enclosure.minute < hours * 60)
    return enclosure.measures("canopy", np.where(lit, 4000.0, 1.0), "illuminance", 100.0)


@pytest.mark.parametrize(
    ("hours", "verdict"), [(12, "met"), (12.4, "met"), (12.5, "borderline"), (13, "not met"), (0, "not met")]
)
def test_measured_lit_hours_may_miss_the_profile_by_half_an_hour(hours: float, verdict: str) -> None:
    result = lit_for(hours).check("photoperiod", Target(12, 12))
    assert result.value == pytest.approx(hours, abs=0.02)
    assert result.verdict == verdict


def test_lights_that_stay_on_fail_before_the_day_is_over() -> None:
    enclosure = lit_for(16)
    late = enclosure.photoperiod.on_ms + 14 * HOUR_MS
    assert enclosure.check("photoperiod", Target(12, 12), now_ms=late).verdict == "not met"


def test_a_schedule_alone_measures_no_light() -> None:
    result = Enclosure().check("photoperiod", Target(12, 12))
    assert result.verdict == "no data"
    assert "the schedule asks for 12.0 h" in result.sentence


def incubator(value: float, **more: object) -> DayAssessment:
    enclosure = Enclosure(lights=None).measures("egg-chamber", value, uncertainty=0.2)
    return assess_day(enclosure.given({"incubation": Target(27, 29)}, **more))


def test_an_incubator_is_judged_over_the_whole_local_day() -> None:
    result = only(incubator(28.0))
    assert (result.verdict, result.value) == ("met", 1)
    assert result.span[1] - result.span[0] == DAY_MS
    assert only(incubator(30.0)).verdict == "not met"


def test_a_clutch_gathers_degree_days_and_has_a_hatch_window() -> None:
    clutch = Clutch(laid_ms=0, base=18, needed_low=600, needed_high=700, gathered=490)
    result = only(incubator(28.0, clutch=clutch))
    assert result.details["degree_days_today"] == pytest.approx(10)
    assert result.details["degree_days"] == pytest.approx(500)
    assert (result.details["hatch_from"], result.details["hatch_until"]) == ("2026-03-21", "2026-03-31")
    assert "500 degree-days above 18.0 °C" in result.sentence


def test_time_below_the_base_adds_nothing_and_gaps_count_at_the_mean_rate() -> None:
    hour = np.arange(24)
    temperature = np.where(hour < 12, 10.0, 28.0)
    whole = series_of(hour * HOUR_MS, temperature, HOUR_MS)
    assert degree_days(whole, 18, [(0, DAY_MS)]) == pytest.approx(5)
    kept = hour % 6 != 0
    holey = series_of(hour * HOUR_MS, np.where(kept, temperature, np.nan), HOUR_MS)
    assert degree_days(holey, 18, [(0, DAY_MS)]) == pytest.approx(5)
    assert np.isnan(degree_days(series_of(hour[:6] * HOUR_MS, temperature[:6], HOUR_MS), 18, [(0, DAY_MS)]))


def test_eggs_that_are_too_cold_have_no_hatch_window() -> None:
    assert hatch_window(0, 100, 0, 600, 700, ZoneInfo("UTC")) is None
    assert hatch_window(0, 100, float("nan"), 600, 700, ZoneInfo("UTC")) is None


def test_what_is_gathered_already_hatches_from_today() -> None:
    found = hatch_window(0, 650, 10, 600, 700, ZoneInfo("UTC"))
    assert [d.isoformat() for d in found] == ["1970-01-01", "1970-01-06"]
