"""The figures of ISA-18.2 and EEMUA 191, carried with their sources in data/alarm_benchmarks.csv."""

import pytest
from climate_tables import rows

from service.alarms.benchmarks import LEAST_DAYS, PRIORITY_SHARES, ROWS
from service.alarms.load import BUSIEST, CHATTERS_AT, FLOOD_ABOVE, FLOOD_BELOW, STALE_AFTER_MS

TABLE = rows("alarm_benchmarks.csv")
OURS = {row.key: (row.acceptable, row.limit) for row in ROWS}
MEASURES = [
    ("average alarm rate", "alarms per hour", "an-hour"),
    ("average alarm rate", "alarms per 10 min", "in-ten-minutes"),
    ("average alarm rate", "alarms per day", "a-day"),
    ("10-minute spans with more than 10 alarms", "% of spans", "busy-spans"),
    ("most alarms in one 10-minute span", "alarms", "most-in-ten-minutes"),
    ("time in flood", "% of time", "flood-time"),
    ("share of the ten most frequent alarms", "% of all alarms", "ten-busiest"),
    ("chattering or fleeting alarms", "alarms", "chattering"),
    ("chattering or fleeting alarms", "alarms", "fleeting"),
    ("stale alarms (standing over 24 h)", "present on any day", "stale"),
]


def row_of(measure: str, unit: str) -> dict[str, str]:
    (found,) = (row for row in TABLE if (row["measure"], row["unit"]) == (measure, unit))
    return found


@pytest.mark.parametrize(("measure", "unit", "key"), MEASURES)
def test_what_is_acceptable_and_where_the_limit_lies_is_the_standards(measure: str, unit: str, key: str) -> None:
    row = row_of(measure, unit)
    acceptable, limit = OURS[key]
    assert limit == float(row["limit"])
    if row["acceptable"]:
        assert acceptable == float(row["acceptable"])


def test_every_measure_of_ours_is_held_against_the_table() -> None:
    assert set(OURS) == {key for _, _, key in MEASURES}


def test_a_flood_a_stale_alarm_and_chattering_are_what_the_table_says() -> None:
    flood = row_of("time in flood", "% of time")["note"]
    assert flood == f"a flood starts above {FLOOD_ABOVE} in 10 min and ends below {FLOOD_BELOW} in 10 min"
    assert f"(standing over {STALE_AFTER_MS // 3_600_000} h)" in TABLE[8]["measure"]
    assert float(row_of("chattering", "activations of one alarm within 1 min")["acceptable"]) == CHATTERS_AT
    assert f"{LEAST_DAYS} days" in TABLE[0]["source"]
    assert BUSIEST == 10


def test_priorities_are_shared_as_the_table_says() -> None:
    row = row_of("priority distribution high/medium/low", "%")
    assert [round(100 * PRIORITY_SHARES[p]) for p in ("high", "medium", "low")] == [
        int(part) for part in row["acceptable"].split("/")
    ]
