"""Sunrise, sunset and day length against a precise ephemeris, a naval observatory, geometry, and another library.

Sources: the rows of the saved tables; astral 3.2 (other formulas than ours, after J. Meeus). The sun's upper limb with
mean refraction counts everywhere but in the geometric column.
"""

import math
from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from astral import Observer
from astral.sun import sun
from climate_tables import rows
from hypothesis import given, reject, settings
from hypothesis import strategies as st

from service.climate.ranges import DAY_MS, OutOfRangeError
from service.climate.sun import day_length, sun_day

LENGTHS, RISES = rows("day_length.csv"), rows("sunrise_sunset.csv")
PRECISE = [row for row in LENGTHS if row["day_length_spa_h"]]
CLOCKS = {"MST": timezone(timedelta(hours=-7)), "UTC": UTC}


@pytest.mark.parametrize("row", PRECISE, ids=lambda row: f"{row['latitude_deg']} {row['date']}")
def test_day_length_is_that_of_a_precise_ephemeris_within_ten_seconds(row: dict[str, str]) -> None:
    found = day_length(float(row["latitude_deg"]), date.fromisoformat(row["date"]))
    assert 3600 * found == pytest.approx(3600 * float(row["day_length_spa_h"]), abs=10)


@pytest.mark.parametrize("row", LENGTHS, ids=lambda row: f"{row['latitude_deg']} {row['date']} {row['event']}")
def test_without_refraction_and_disc_the_day_is_as_long_as_geometry_says(row: dict[str, str]) -> None:
    latitude = float(row["latitude_deg"])
    day = date(2025, 6, 21) if row["date"] == "June" else date.fromisoformat(row["date"])
    found = sun_day(latitude, 0.0, day, height=0.0).hours
    # FAO-56 has one sine for the sun's declination, up to 0.8° off at the equinoxes: 0.12 h times the tangent of the
    # latitude. The printed table's 50° is a misprint, as its row says.
    is_misprint = row["date"] == "June" and latitude == 50
    off = 0.16 if is_misprint else 0.12 * math.tan(math.radians(abs(latitude))) + 0.01
    assert found == pytest.approx(float(row["day_length_geometric_h"]), abs=off)
    assert found < day_length(latitude, day)


@pytest.mark.parametrize("row", RISES, ids=lambda row: f"{row['place']} {row['date']} {row['source']}")
def test_sunrise_sunset_and_transit_are_the_published_ones(row: dict[str, str]) -> None:
    zone, day = CLOCKS[row["clock"]], date.fromisoformat(row["date"])
    found = sun_day(float(row["latitude_deg"]), float(row["longitude_deg"]), day)
    to_the_minute = row["sunrise"].count(":") == 1
    names = {"sunrise": found.rises_ms, "sunset": found.sets_ms, "transit": found.highest_ms}
    if row["sunset"] == "19:13:58":
        # That is the evening before: the naval observatory has 19:13 that day, and days shorten by 63 s a day there.
        del names["sunset"]
    for name, at_ms in names.items():
        stated = datetime.combine(day, datetime.strptime(row[name], "%H:%M:%S"[: len(row[name])]).time(), zone)  # noqa: DTZ007 - the zone follows
        apart = abs(at_ms / 1000 - stated.timestamp())
        assert apart <= (35 if to_the_minute else 5), f"{name} is {apart:.0f} s off"


@given(
    latitude=st.floats(-60, 60),
    longitude=st.floats(-179, 179),
    day=st.dates(date(1990, 1, 1), date(2049, 12, 31)),
)
@settings(max_examples=200, deadline=None)
def test_another_library_says_the_same_within_two_minutes(latitude: float, longitude: float, day: date) -> None:
    local = timezone(timedelta(hours=longitude / 15))
    try:
        other = sun(Observer(latitude, longitude), date=day, tzinfo=local)
    except ValueError:
        # Of one day in two thousand that library says that it has no sunrise, at these latitudes too.
        reject()
    found = sun_day(latitude, longitude, day)
    assert found.rises_ms == pytest.approx(other["sunrise"].timestamp() * 1000, abs=120_000)
    assert found.sets_ms == pytest.approx(other["sunset"].timestamp() * 1000, abs=120_000)


@given(latitude=st.floats(-90, 90), day=st.dates(date(1990, 1, 1), date(2049, 12, 31)))
@settings(deadline=None)
def test_there_is_an_answer_for_every_place_and_day(latitude: float, day: date) -> None:
    found = sun_day(latitude, 0.0, day)
    assert 0 <= found.hours <= 24
    assert (found.rises_ms is None) == (found.hours in {0.0, 24.0})
    if found.rises_ms is not None:
        assert found.rises_ms < found.highest_ms < found.sets_ms < found.rises_ms + DAY_MS


def test_near_the_pole_the_sun_stays_up_in_june_and_down_in_december() -> None:
    assert [day_length(80, date(2026, month, 21)) for month in (6, 12)] == [24.0, 0.0]
    assert [day_length(-80, date(2026, month, 21)) for month in (6, 12)] == [0.0, 24.0]


@pytest.mark.parametrize(("latitude", "longitude"), [(90.5, 0), (-91, 0), (0, 181), (math.nan, 0)])
def test_a_place_that_is_none_is_refused(latitude: float, longitude: float) -> None:
    with pytest.raises((OutOfRangeError, ValueError), match=r"latitude|longitude"):
        sun_day(latitude, longitude, date(2026, 1, 1))
