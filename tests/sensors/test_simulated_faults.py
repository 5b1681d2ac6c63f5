"""Each fault does to the truth what it would do to a room."""

from datetime import UTC, datetime

import numpy as np
import pytest
from conftest import DAY_MS, DRAGONS, EVENING_MS, GLASS, HOUR_MS, NOON_MS, START_MS, a_scene, named

from sensors.simulator import Fault, HandMisting, MistCycle, Simulator, Truth


def spot(truth: Truth, key: str) -> np.ndarray:
    return truth.of(truth.index_of(key), "basking", "surface_temperature")


def step_of(truth: Truth, at_ms: int) -> int:
    return (at_ms - truth.start_ms) // truth.step_ms


def cycles(truth: Truth, key: str) -> list[MistCycle]:
    return [cycle for cycle in truth.cycles if cycle.enclosure == key]


def response(truth: Truth, cycle: MistCycle) -> float:
    series = truth.of(truth.index_of(cycle.enclosure), "ambient", "relative_humidity")
    begin = step_of(truth, cycle.at_ms)
    return float(series[begin : begin + 80].max() - series[begin - 1])


def test_before_its_start_a_fault_changes_nothing(truth: Truth) -> None:
    noon = step_of(truth, NOON_MS)
    for key in ("stuck", "welded", "dark"):
        assert np.array_equal(spot(truth, key)[:noon], spot(truth, "dragons")[:noon])


def test_a_stuck_thermostat_overheats_the_spot_until_the_timer_ends_the_day(truth: Truth) -> None:
    noon, evening, night = (step_of(truth, NOON_MS + hours * HOUR_MS) for hours in (0, 7, 14))
    assert spot(truth, "stuck")[evening] > spot(truth, "dragons")[evening] + 5
    assert spot(truth, "stuck")[noon:].max() > 43
    assert spot(truth, "stuck")[night] == pytest.approx(spot(truth, "dragons")[night], abs=0.5)


def test_a_welded_relay_heats_by_night_too(truth: Truth) -> None:
    night = step_of(truth, NOON_MS + 14 * HOUR_MS)
    assert spot(truth, "welded")[night] > spot(truth, "dragons")[night] + 15


def test_a_stuck_heater_warms_the_whole_enclosure(truth: Truth) -> None:
    index, night = truth.index_of("heater"), step_of(truth, NOON_MS + 14 * HOUR_MS)
    ambient = truth.of(index, "ambient", "air_temperature")
    assert ambient[night] > ambient[night - DAY_MS // truth.step_ms] + 3


def test_a_dead_lamp_lets_the_spot_fall_to_ambient(truth: Truth) -> None:
    index, later = truth.index_of("dark"), step_of(truth, NOON_MS + 3 * HOUR_MS)
    assert spot(truth, "dark")[later] - truth.of(index, "ambient", "air_temperature")[later] < 2
    assert truth.of(index, "basking", "power")[step_of(truth, NOON_MS) :].max() == 0


def test_a_dead_pump_is_due_and_delivers_nothing(truth: Truth) -> None:
    after = [cycle for cycle in cycles(truth, "dead-pump") if cycle.at_ms >= NOON_MS]
    assert len(after) == 3
    assert all(cycle.due_grams > 0 == cycle.delivered_grams for cycle in after)
    assert all(response(truth, cycle) < 3 for cycle in after)


def test_a_clogging_nozzle_delivers_less_and_less(truth: Truth) -> None:
    delivered = [cycle.delivered_grams / cycle.due_grams for cycle in cycles(truth, "clogging")]
    assert delivered == sorted(delivered, reverse=True)
    assert delivered[0] == pytest.approx(1 - 0.9 * (8.5 / 72), abs=0.001)
    healthy, clogged = (response(truth, cycles(truth, key)[-1]) for key in ("glass", "clogging"))
    assert clogged < 0.8 * healthy


def test_a_leak_wets_the_air_of_an_enclosure_for_as_long_as_it_runs(truth: Truth) -> None:
    leaking, sound = (truth.of(truth.index_of(key), "ambient", "relative_humidity") for key in ("leaking", "dragons"))
    noon, morrow = step_of(truth, NOON_MS), step_of(truth, NOON_MS + 20 * HOUR_MS)
    assert np.array_equal(leaking[:noon], sound[:noon])
    assert leaking[morrow:].mean() > sound[morrow:].mean() + 20


def test_lights_stuck_on_have_no_night(truth: Truth) -> None:
    lit = truth.lit[:, truth.index_of("stuck-light")]
    assert lit[step_of(truth, EVENING_MS) :].all()
    assert not lit[step_of(truth, START_MS + 5 * HOUR_MS)]


def test_lights_that_come_late_still_go_off_in_time(truth: Truth) -> None:
    lit = truth.lit[:, truth.index_of("late-light")]
    day = lit[step_of(truth, START_MS + DAY_MS) :][: DAY_MS // truth.step_ms]
    assert day.sum() * truth.step_ms == 10 * HOUR_MS
    assert np.flatnonzero(day)[0] * truth.step_ms == 9.5 * HOUR_MS


def test_a_power_cut_stops_lamps_and_pumps_of_the_whole_room() -> None:
    cut = Fault("power-cut", "test-room", START_MS + 8 * HOUR_MS, START_MS + 9 * HOUR_MS)
    scene = a_scene((named("glass", GLASS), named("dragons", DRAGONS)), faults=(cut,))
    run = Simulator(scene, 2).run(START_MS, START_MS + 12 * HOUR_MS)
    dark = slice(step_of(run, cut.start_ms), step_of(run, cut.end_ms))
    assert not run.lit[dark].any()
    assert run.of(1, "basking", "power")[dark].max() == 0
    assert [cycle.delivered_grams for cycle in run.cycles] == [0.0]
    assert not run.pump_running.any()
    assert run.lit[step_of(run, cut.end_ms) + 1].all()


def test_a_spray_bottle_is_a_spike_that_no_schedule_knows() -> None:
    spray = HandMisting("dragons", START_MS + 12 * HOUR_MS, 30.0)
    scene = a_scene((named("dragons", DRAGONS),), hand_mistings=(spray,))
    run = Simulator(scene, 2).run(START_MS, START_MS + 16 * HOUR_MS)
    (cycle,) = run.cycles
    assert (cycle.scheduled, cycle.delivered_grams) == (False, 30.0)
    assert response(run, cycle) > 10
    assert not run.pump_running.any()


@pytest.mark.parametrize(("day", "on_utc"), [("2026-03-28", 7.5), ("2026-03-29", 6.5), ("2026-10-25", 7.5)])
def test_timers_keep_wall_clock_time_when_clocks_change(day: str, on_utc: float) -> None:
    # Lisbon: UTC+0 until 2026-03-29 01:00 UTC, UTC+1 until 2026-10-25 01:00 UTC (IANA tz database).
    start_ms = int(datetime.fromisoformat(day).replace(tzinfo=UTC).timestamp() * 1000)
    run = Simulator(a_scene((named("glass", GLASS),)), 1).run(start_ms, start_ms + 20 * HOUR_MS)
    lit = np.flatnonzero(run.lit[:, 0]) * run.step_ms / HOUR_MS
    assert lit[0] == on_utc
    assert np.diff(lit).max() < 0.01
    assert lit.size * run.step_ms == 12 * HOUR_MS
    assert run.cycles[0].at_ms == start_ms + int((on_utc + 1) * HOUR_MS)
