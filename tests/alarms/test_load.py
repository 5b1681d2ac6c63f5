"""The figures of the load: counted by hand on small pasts, and by a second way on any past."""

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.alarms.benchmarks import ROWS, benchmarks
from service.alarms.load import DAY_MS, MINUTE_MS, TEN_MINUTES_MS, Flood, Load, Told, load_of

HOUR = 60 * MINUTE_MS
END = 30 * DAY_MS
EDGES = range(0, END, DAY_MS)


def told(raised: int, condition: str = "too-dry", place: str = "a/ambient", **more: Any) -> Told:
    fields: dict[str, Any] = {"priority": "medium", "returned_ms": raised + HOUR, "acknowledged_ms": None} | more
    return Told(condition, place, place.split("/", maxsplit=1)[0], raised_ms=raised, **fields)


def of(*alarms: Told, end: int = END) -> Load:
    return load_of(alarms, [edge for edge in EDGES if edge < end], end)


def verdicts(load: Load) -> dict[str, str]:
    return {row.key: row.verdict for row in benchmarks(load)}


def test_a_calm_month_is_well_by_every_figure() -> None:
    load = of(*(told(day * DAY_MS + HOUR, place=f"{day}/ambient") for day in range(30)))
    assert (load.alarms, load.per_day, load.most_in_ten, load.floods) == (30, 1.0, 1, ())
    assert load.by_day == tuple((day * DAY_MS, 1) for day in range(30))
    assert verdicts(load) == {row.key: "acceptable" for row in ROWS} | {"ten-busiest": "not judged"}


def test_a_month_without_alarms_has_figures_too() -> None:
    load = of()
    assert (load.alarms, load.busiest_share, load.actors, load.priorities) == (0, 0.0, (), {})
    assert load.answering["high"].median_s is None


def test_a_flood_begins_above_ten_in_ten_minutes_and_ends_below_five() -> None:
    # Eleven in eleven half minutes, then one a minute: a flood from the eleventh, until four are left of the last ten
    # minutes.
    quick = [n * MINUTE_MS // 2 for n in range(11)]
    slow = [20 * MINUTE_MS]
    load = of(*map(told, quick + slow))
    # The seventh of them leaves the ten minutes at 3 + 10 min: four are left.
    assert load.floods == (Flood(quick[10], quick[6] + TEN_MINUTES_MS, 11),)
    assert load.most_in_ten == 11
    assert load.flood_share == pytest.approx((8 * MINUTE_MS) / END)
    assert load.busy_share == pytest.approx(1 / (30 * 144))


def test_ten_in_ten_minutes_are_no_flood_and_a_flood_that_goes_on_ends_with_the_span() -> None:
    assert of(*(told(n * MINUTE_MS) for n in range(10))).floods == ()
    late = [END - (11 - n) * 1000 for n in range(11)]
    assert of(*map(told, late)).floods == (Flood(late[10], END, 11),)


def test_three_times_in_a_minute_at_one_place_is_chattering_and_once_per_burst() -> None:
    burst = [told(at, place="a/basking") for at in (0, 20_000, 40_000, 60_000)]
    elsewhere = [told(at, place="b/basking") for at in (0, 30_000)]
    again = [told(at, place="a/basking") for at in (HOUR, HOUR + 30_000, HOUR + 60_000)]
    load = of(*burst, *elsewhere, *again)
    assert load.bursts == 2
    assert [(one.enclosure, one.bursts) for one in load.actors] == [("a", 2), ("b", 0)]
    assert verdicts(load)["chattering"] == "too much"


def test_what_stood_for_seconds_is_fleeting_and_what_stands_for_a_day_is_stale() -> None:
    load = of(
        told(0, returned_ms=59_999),
        told(DAY_MS, returned_ms=2 * DAY_MS + 1),
        told(DAY_MS, place="b/ambient", returned_ms=2 * DAY_MS),
        told(END - DAY_MS - 1, returned_ms=None),
    )
    assert (load.fleeting, load.stale_now, load.stale_most) == (1, 1, 1)


def test_an_alarm_from_before_the_span_counts_as_stale_and_as_nothing_else() -> None:
    load = load_of([told(-5 * DAY_MS, returned_ms=HOUR)] * 6, EDGES, END)
    assert (load.alarms, load.stale_most, verdicts(load)["stale"]) == (0, 6, "too much")
    assert verdicts(load_of([told(-5 * DAY_MS, returned_ms=HOUR)] * 4, EDGES, END))["stale"] == "at the limit"


def test_answering_is_counted_by_priority() -> None:
    quick = [told(n * HOUR, priority="high", acknowledged_ms=n * HOUR + n * 60_000) for n in range(1, 11)]
    high = of(*quick, told(0, priority="high")).answering["high"]
    assert (high.told, high.answered, high.median_s) == (11, 10, 330.0)
    assert high.slow_s == pytest.approx(546.0)


def test_the_share_of_the_ten_busiest_is_judged_when_many_different_alarms_came() -> None:
    many = [told(n * HOUR, place=f"{n % 60}/ambient") for n in range(600)]
    load = of(*many)
    assert load.busiest_share == pytest.approx(100 / 600)
    assert verdicts(load)["ten-busiest"] == "too much"


def test_figures_of_no_time_are_refused() -> None:
    with pytest.raises(ValueError, match="must begin before its end"):
        load_of([], [DAY_MS], DAY_MS)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, 40), max_size=60), st.integers(1, 90_000))
def test_any_past_agrees_with_counting_one_by_one(steps: list[int], scale: int) -> None:
    raised = [sum(steps[: n + 1]) * scale for n in range(len(steps))]
    raised = [at for at in raised if at < END]
    load = of(*map(told, raised))

    def in_last_ten(at: int) -> int:
        return sum(at - TEN_MINUTES_MS < one <= at for one in raised)

    assert load.most_in_ten == max(map(in_last_ten, raised), default=0)
    assert sum(count for _, count in load.by_day) == load.alarms == len(raised)
    # A flood, minute by minute of what can change it: an alarm that comes, or one that leaves the last ten minutes.
    moments = sorted({*raised, *(at + TEN_MINUTES_MS for at in raised), END} - {at for at in raised if at > END})
    flooded, length = False, 0
    for now, following in pairwise([at for at in moments if at <= END]):
        count = in_last_ten(now)
        flooded = count > 10 or (flooded and count >= 5)
        length += flooded * (following - now)
    assert sum(flood.end_ms - flood.start_ms for flood in load.floods) == length
