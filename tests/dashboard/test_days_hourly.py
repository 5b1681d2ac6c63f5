from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.hourly import HourlyMedians, hourly_medians, local_offsets
from service.climate.day_cycle import local_day
from service.climate.series import Series, cover
from service.model import to_ms
from service.store.readings import add_readings
from tests.dashboard.glasshouse import Glasshouse
from tests.dashboard.past_room import LISBON

HOUR_MS = 3_600_000
LORD_HOWE = ZoneInfo("Australia/Lord_Howe")


@pytest.mark.parametrize(
    ("zone", "day", "changes"),
    [
        pytest.param(LISBON, date(2026, 3, 29), ["2026-03-29T01:00+00:00"], id="spring"),
        pytest.param(LISBON, date(2026, 10, 25), ["2026-10-25T01:00+00:00"], id="autumn"),
        pytest.param(LORD_HOWE, date(2026, 4, 5), ["2026-04-04T15:00+00:00"], id="half an hour"),
        pytest.param(LISBON, date(2026, 6, 1), [], id="no change"),
    ],
)
def test_offsets_change_at_the_instant_that_the_zone_says(zone: ZoneInfo, day: date, changes: list[str]) -> None:
    # Source: the IANA time zone database.
    start = local_day(day - timedelta(2), zone)[0]
    since, offset = local_offsets(start, local_day(day + timedelta(2), zone)[1], zone)
    assert since.tolist() == [start, *(to_ms(datetime.fromisoformat(change)) for change in changes)]
    at = [datetime.fromtimestamp(ms / 1000, zone).utcoffset() for ms in since.tolist()]
    assert offset.tolist() == [shift // timedelta(milliseconds=1) for shift in at if shift is not None]


@given(
    day=st.sampled_from([date(2026, 3, 28), date(2026, 10, 24), date(2026, 7, 1)]),
    seed=st.integers(0, 2**32 - 1),
    cadence_s=st.sampled_from([20, 45, 60, 75, 90, 180, 300, 400, 600]),
    missing=st.floats(0, 0.5),
)
def test_a_median_is_that_of_the_checks_over_the_same_hour(
    day: date, seed: int, cadence_s: int, missing: float
) -> None:
    # The second method: time-weighted cover, hour by hour. Readings lie so that none stands over the end of its hour.
    rng = np.random.default_rng(seed)
    days = [day, day + timedelta(1)]
    start, end = local_day(days[0], LISBON)[0], local_day(days[1], LISBON)[1]
    steps = np.arange(0, HOUR_MS, 1_000 * cadence_s)
    at = (np.arange(start, end, HOUR_MS)[:, None] + steps).reshape(-1)
    value = np.round(rng.normal(25, 3, len(at)), 1)
    value[rng.random(len(at)) < missing] = np.nan
    found = hourly_medians(at, value, 1_000 * cadence_s, days, LISBON)
    series = Series(at, value, 1_000 * cadence_s)
    for n, local in enumerate(days):
        for hour in range(24):
            spans = [
                (ms, ms + HOUR_MS)
                for ms in range(local_day(local, LISBON)[0], local_day(local, LISBON)[1], HOUR_MS)
                if datetime.fromtimestamp(ms / 1000, LISBON).hour == hour
            ]
            known = cover(series, spans) if spans else None
            if known is None or known.covered_ms < HOUR_MS / 2:
                assert np.isnan(found[n, hour])
            else:
                assert found[n, hour] == pytest.approx(known.percentile(50))


def test_a_faster_probe_does_not_count_more() -> None:
    day = date(2026, 7, 1)
    start = local_day(day, LISBON)[0]
    # Ten minutes at 30 s, then fifty at 5 min: the median is of the fifty.
    at = start + np.concatenate((np.arange(0, 600_000, 30_000), np.arange(600_000, HOUR_MS, 300_000)))
    value = np.where(at < start + 600_000, 40.0, 20.0)
    assert hourly_medians(at, value, 300_000, [day], LISBON)[0, 0] == 20.0


def test_what_is_remembered_gives_way_to_a_late_reading(past_house: Glasshouse) -> None:
    house, remembered = past_house, HourlyMedians()
    days = [date(2026, 3, 23) + timedelta(n) for n in range(3)]

    def asked(by: HourlyMedians) -> np.ndarray:
        with house.store.read() as session:
            facts = house.parts.facts(session)
            channel = facts.channels[house.channels["surface_temperature"]]
            return by.of(session, facts.version, channel, channel.placements[0], days, facts.zone)

    before = asked(remembered)
    assert not np.isnan(before).any()
    night = local_day(days[1], LISBON)[0]
    late = [(house.channels["surface_temperature"], night + 1_000 * s, 30.0, 1) for s in range(7, 3_500, 10)]
    with house.store.write() as session:
        add_readings(session, late)
    after = asked(remembered)
    assert after[1, 0] == pytest.approx(30.0)
    np.testing.assert_array_equal(np.delete(after.reshape(-1), 24), np.delete(before.reshape(-1), 24))
    np.testing.assert_array_equal(after, asked(HourlyMedians()))
