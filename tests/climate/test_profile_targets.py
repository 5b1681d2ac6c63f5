from datetime import date

import pytest
from climate_builders import A_DAY, LISBON, Enclosure

from service.climate.day_cycle import local_day
from service.climate.ranges import HOUR_MS
from service.climate.sun import day_length
from service.climate.targets import Override, Season, SpeciesProfile, Target, targets_in_force

SOURCE = "common practice, no source"
START, END = local_day(A_DAY, LISBON)
SUMMER = {"hot-spot": Target(35, 40, source=SOURCE), "night-floor": Target(low=20)}
WINTER = Season("winter cooling", (12, 1), (2, 29), {"hot-spot": Target(28, 32)})
PROFILE = SpeciesProfile("a-lizard", 1, "Invented lizard", SUMMER, (WINTER,))


def an_override(first: int = START, last: int | None = END, low: float = 30) -> Override:
    return Override("hot-spot", Target(low, 40), first, last, "gravid")


def test_targets_carry_the_checks_unit_and_default_share() -> None:
    found = targets_in_force(PROFILE, [], A_DAY, START, END)
    assert found["hot-spot"] == Target(35, 40, 0.80, "°C", SOURCE)
    assert found["night-floor"].share is None


@pytest.mark.parametrize(
    ("day", "low"), [((2025, 12, 1), 28), ((2026, 2, 28), 28), ((2024, 2, 29), 28), ((2026, 3, 1), 35)]
)
def test_a_season_runs_over_the_new_year(day: tuple[int, int, int], low: float) -> None:
    assert targets_in_force(PROFILE, [], date(*day), START, END)["hot-spot"].low == low


def test_a_season_leaves_the_other_targets_alone() -> None:
    assert targets_in_force(PROFILE, [], date(2026, 1, 5), START, END)["night-floor"].low == 20


def test_an_override_counts_for_a_day_when_it_holds_for_half_of_it() -> None:
    late = an_override(first=START + 13 * HOUR_MS, last=None)
    early = an_override(first=START + 11 * HOUR_MS, last=None)
    assert targets_in_force(PROFILE, [late], A_DAY, START, END)["hot-spot"].low == 35
    assert targets_in_force(PROFILE, [early], A_DAY, START, END)["hot-spot"].low == 30


def test_an_override_holds_at_an_instant_from_its_first_until_before_its_last() -> None:
    def low(at: int) -> float:
        return targets_in_force(PROFILE, [an_override()], A_DAY, at)["hot-spot"].low

    assert [low(START - 1), low(START), low(END - 1), low(END)] == [35, 30, 30, 35]


def test_of_overlapping_overrides_the_one_that_began_last_wins() -> None:
    both = [an_override(first=START, low=31), an_override(first=START - HOUR_MS, low=29)]
    assert targets_in_force(PROFILE, both, A_DAY, START, END)["hot-spot"].low == 31


def test_an_override_may_add_a_check() -> None:
    added = Override("dry-down", Target(high=6), START, None, "treatment")
    assert targets_in_force(PROFILE, [added], A_DAY, START, END)["dry-down"].unit == "h"


def test_a_check_that_does_not_exist_is_refused_with_those_that_do() -> None:
    with pytest.raises(ValueError, match=r"no check is called 'hotspot'; there are hot-spot,"):
        SpeciesProfile("x", 1, "X", {"hotspot": Target()})


def test_a_target_that_nothing_could_meet_is_refused() -> None:
    with pytest.raises(ValueError, match=r"low not above high"):
        Target(low=30, high=20)
    with pytest.raises(ValueError, match=r"share is 1\.2"):
        Target(share=1.2)


def by_the_sun(day: date, latitude: float, **limits: float) -> Target:
    profile = SpeciesProfile("x", 1, "X", {"photoperiod": Target(latitude=latitude, **limits)})
    return targets_in_force(profile, [], day, START, END)["photoperiod"]


def test_a_photoperiod_may_follow_the_sun_at_a_latitude() -> None:
    midsummer, midwinter = by_the_sun(date(2026, 12, 21), -19), by_the_sun(date(2026, 6, 21), -19)
    assert midsummer.low == midsummer.high == day_length(-19, date(2026, 12, 21)) == pytest.approx(13.27, abs=0.03)
    assert midwinter.high == pytest.approx(10.98, abs=0.03)
    assert (midwinter.unit, midwinter.latitude) == ("h", -19)


def test_a_photoperiod_that_follows_the_sun_keeps_within_its_ends() -> None:
    assert by_the_sun(date(2026, 12, 21), 50, low=10).high == 10
    assert by_the_sun(date(2026, 6, 21), 50, high=14).low == 14


def test_nearer_the_pole_than_the_sun_rises_each_day_there_is_no_photoperiod() -> None:
    with pytest.raises(ValueError, match="latitude is 70"):
        Target(latitude=70)


def test_a_season_on_a_day_that_no_year_has_is_refused() -> None:
    with pytest.raises(ValueError, match="day"):
        Season("x", (2, 30), (3, 1), {})


def test_a_verdict_on_lit_hours_says_whose_day_length_it_holds_them_against() -> None:
    lit = Enclosure()
    lit.measures("canopy", lit.by_day_and_night(5000, 0), "illuminance")
    target = by_the_sun(A_DAY, -19)
    assert target.low == target.high == day_length(-19, A_DAY)
    found = lit.check("photoperiod", target)
    assert (found.verdict, round(found.value, 1)) == ("met", 12.0)
    assert "target 12.3 h ± 0.5 h, by the day length at 19° S" in found.sentence
    bare = Enclosure().check("photoperiod", target)
    assert bare.verdict == "no data"
    assert "the schedule asks for 12.0 h; the target is 12.3 h, by the day length at 19° S" in bare.sentence
