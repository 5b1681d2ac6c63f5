"""The simulated room obeys its physics, and reproduces what every keeper knows."""

from dataclasses import replace

import numpy as np
import pytest
from conftest import DAY_MS, DRAGONS, GLASS, HOUR_MS, START_MS, a_scene, named

from sensors.simulator import Box, SimulatedTimeError, Simulator, Truth
from sensors.simulator.moist_air import relative_humidity, saturation_density
from sensors.simulator.network import LAMP_SPLIT, LIGHT_SPLIT, LUMPS, lamp_for, network_of
from sensors.simulator.scene import RoomClimate
from sensors.simulator.weather import sunshine


def at(truth: Truth, day: int, hour: float) -> int:
    """Return the step that ends at an hour of a day of the run."""
    return round((day * DAY_MS + hour * HOUR_MS) / truth.step_ms) - 1


def humidity(truth: Truth, key: str) -> np.ndarray:
    return truth.of(truth.index_of(key), "ambient", "relative_humidity")


def air(truth: Truth, key: str, zone: str = "ambient") -> np.ndarray:
    return truth.of(truth.index_of(key), zone, "air_temperature")


def surface(truth: Truth, key: str) -> np.ndarray:
    return truth.of(truth.index_of(key), "basking", "surface_temperature")


def test_heat_that_comes_in_is_kept_or_lost_and_nothing_else(truth: Truth) -> None:
    ledger = truth.ledger
    left = ledger.heat_in - ledger.heat_kept - ledger.heat_to_room - ledger.heat_of_evaporation
    assert np.abs(left / ledger.heat_in).max() < 1e-4
    assert (ledger.heat_of_evaporation[truth.index_of("glass")] / ledger.heat_in[truth.index_of("glass")]) > 0.05


def test_water_that_is_sprayed_is_kept_or_leaves_by_air_or_drain(truth: Truth) -> None:
    ledger = truth.ledger
    left = ledger.water_in - ledger.water_kept - ledger.water_to_room - ledger.water_drained
    assert np.abs(left).max() < 1e-12
    assert ledger.water_in[truth.index_of("glass")] == pytest.approx(6 * 45 * 1.5e-3)
    assert ledger.water_to_room[truth.index_of("glass")] > 0.1


def test_no_water_place_ever_holds_less_than_nothing(truth: Truth) -> None:
    assert truth.state[:, LUMPS + 6 :].min() >= 0
    assert humidity(truth, "mesh").min() > 10


def test_the_exact_step_rests_where_the_balance_rests() -> None:
    boxes = [Box("glass", 0.6, 0.45, 0.6, 4, 0.3), Box("mesh", 0.6, 0.45, 0.9, 40, 0.4)]
    network = network_of(boxes)
    heat = np.tile(50 * LAMP_SPLIT + 20 * LIGHT_SPLIT, (2, 1))
    keep, gain = network.step_matrices(3600.0)
    temperatures = np.full((2, LUMPS, 1), 5.0)
    for _ in range(200):
        temperatures = keep @ temperatures + gain @ (heat + network.to_room * 21.0)[:, :, None]
    assert temperatures[:, :, 0] == pytest.approx(network.steady(heat, 21.0), abs=1e-6)


def test_two_half_steps_are_one_step() -> None:
    network = network_of([Box("glass", 0.9, 0.45, 0.45, 3, 0.1)])
    half, half_gain = network.step_matrices(7.5)
    whole, whole_gain = network.step_matrices(15.0)
    assert half @ half == pytest.approx(whole, abs=1e-12)
    assert half @ half_gain + half_gain == pytest.approx(whole_gain, rel=1e-9, abs=1e-15)


def test_a_body_with_nothing_on_comes_to_the_room_s_temperature() -> None:
    network = network_of([Box("glass", 0.6, 0.45, 0.6, 4, 0.3)])
    assert network.steady(np.zeros((1, LUMPS)), 19.5) == pytest.approx(19.5)


def test_a_coarser_step_tells_the_same_story() -> None:
    scene = a_scene((named("glass", GLASS), named("dragons", DRAGONS)))
    fine, coarse = (Simulator(scene, 1, seconds).run(START_MS, START_MS + DAY_MS) for seconds in (5, 30))
    for key, most in (("glass", 2.5), ("dragons", 1.0)):
        hours = np.arange(1, 24) * HOUR_MS
        says = [humidity(run, key)[hours // run.step_ms - 1] for run in (fine, coarse)]
        assert np.abs(says[0] - says[1]).max() < most
        assert np.abs(air(fine, key)[5::6] - air(coarse, key)).mean() < 0.1


def test_saturated_air_holds_what_the_tables_say() -> None:
    # Source: IAPWS-95 as tabulated: 2339.3 Pa at 20 °C, so 17.29 g/m³; the Magnus form is within 0.35 %.
    assert float(saturation_density(np.array(20.0))) == pytest.approx(2339.3 / (461.5 * 293.15), rel=0.0035)
    assert float(relative_humidity(np.array(0.0173), np.array(20.0))) == pytest.approx(100.0, abs=0.5)


def test_the_same_seed_gives_the_same_room_and_another_seed_another() -> None:
    scene = a_scene((named("glass", GLASS),))
    runs = [Simulator(scene, seed).run(START_MS, START_MS + DAY_MS // 4) for seed in (3, 3, 4)]
    assert np.array_equal(runs[0].state, runs[1].state)
    assert not np.array_equal(runs[0].state, runs[2].state)


def test_a_run_cut_into_pieces_is_the_same_run() -> None:
    scene = a_scene((named("glass", GLASS), named("dragons", DRAGONS)))
    whole = Simulator(scene, 3).run(START_MS, START_MS + DAY_MS)
    pieces = Simulator(scene, 3)
    parts = [pieces.run(START_MS, START_MS + 8 * HOUR_MS + 31 * 60_000)]  # in the middle of a misting
    parts += [pieces.advance(START_MS + 8 * HOUR_MS + 31 * 60_000 + 15_000), pieces.advance(START_MS + DAY_MS)]
    assert np.array_equal(np.concatenate([part.state for part in parts]), whole.state)
    assert [cycle for part in parts for cycle in part.cycles] == list(whole.cycles)


def test_a_run_that_does_not_follow_the_last_one_is_refused() -> None:
    room = Simulator(a_scene((named("glass", GLASS),)), 3)
    room.run(START_MS, START_MS + HOUR_MS)
    with pytest.raises(SimulatedTimeError, match=f"the room stands at {START_MS + HOUR_MS} ms"):
        room.run(START_MS, START_MS + HOUR_MS)
    with pytest.raises(SimulatedTimeError, match="give a later end"):
        room.advance(START_MS)


def test_a_basking_spot_nears_35_within_an_hour_of_lights_on(truth: Truth) -> None:
    # Fact of the trade (common practice, no source): near 35 °C for lizards that bask in the sun.
    spot = surface(truth, "hot-35")
    assert spot[at(truth, 1, 7.5)] < 22
    assert 34 <= spot[at(truth, 1, 8.5)] <= 36.5
    day = spot[at(truth, 1, 8.5) : at(truth, 1, 19.5)]
    assert np.median(day) == pytest.approx(35, abs=0.8)


def test_two_mistings_a_day_are_two_distinct_spikes_in_glass(truth: Truth) -> None:
    # Fact of the trade (common practice, no source): 45 s twice a day; 15 %RH and more, gone in one to three hours.
    wet, dry = humidity(truth, "glass"), humidity(truth, "dry")
    for hour in (8.5, 15.5):
        before = at(truth, 1, hour - 0.05)
        peak = before + int(np.argmax(wet[before : before + 80]))
        added = wet[peak] - wet[before]
        assert added >= 15
        above = (wet - dry)[peak:] < (wet - dry)[before] + added / 2
        assert 1.0 <= np.argmax(above) * truth.step_ms / HOUR_MS <= 3.0


def test_mesh_loses_humidity_several_times_as_fast(truth: Truth) -> None:
    # Fact of the trade (common practice, no source): glass holds humidity, mesh loses it fast.
    before = at(truth, 1, 8.45)
    times = {}
    for key in ("glass", "mesh"):
        series = humidity(truth, key)[before : before + 1200]
        peak = int(np.argmax(series[:80]))
        times[key] = np.argmax(series[peak:] < (series[peak] + series[0]) / 2)
    assert times["glass"] > 4 * times["mesh"] > 0


def test_at_lights_off_humidity_climbs_by_cooling_alone(truth: Truth) -> None:
    # No water is sprayed there, and the water in the air does not grow: the room merely cools.
    key, off = "royal", at(truth, 1, 19.5)
    series = humidity(truth, key)
    climb = series[off : off + 240].max() - series[off]
    assert 15 <= climb <= 25
    pressure = truth.vapour_pressure(truth.index_of(key))
    assert not any(
        cycle.enclosure == key and abs(cycle.at_ms - truth.times_ms[off]) < 4 * HOUR_MS for cycle in truth.cycles
    )
    assert pressure[off : off + 240].max() < pressure[off] * 1.06


def test_nights_are_cooler_by_several_degrees(truth: Truth) -> None:
    # Fact of the trade (common practice, no source): lights and day heat for 12 h and off at night make the drop.
    for key in ("glass", "dragons", "frogs", "corn"):
        ambient = air(truth, key)
        day, night = (np.median(ambient[at(truth, 1, a) : at(truth, 1, b)]) for a, b in ((9, 19), (21.5, 23.9)))
        assert 3 <= day - night <= 9


def test_there_is_a_gradient_by_day_and_hardly_one_at_night(truth: Truth) -> None:
    across = surface(truth, "dragons") - air(truth, "dragons", "cool-end")
    assert np.median(across[at(truth, 1, 9) : at(truth, 1, 19)]) > 8
    assert abs(across[at(truth, 2, 6)]) < 1


def test_wet_leaves_cool_the_air(truth: Truth) -> None:
    before, after = at(truth, 1, 8.45), at(truth, 1, 8.7)
    changed = air(truth, "mesh")[after] - air(truth, "mesh")[before]
    assert changed < (air(truth, "dry")[after] - air(truth, "dry")[before]) - 0.5


def test_room_and_weather_are_no_clockwork() -> None:
    climate = RoomClimate()
    days = START_MS + np.arange(0, 20 * DAY_MS, 600_000)
    sun = sunshine(1, climate, days).reshape(20, -1)
    assert (sun[:, 0] == 0).all()
    assert np.ptp(sun.max(axis=1)) > 0.1
    assert (sun.max(axis=1) <= 1).all()


def test_a_lamp_is_the_smallest_common_one_that_reaches_its_spot() -> None:
    box = DRAGONS.box
    assert lamp_for(box, 45, 40) > lamp_for(box, 30, 40)
    with pytest.raises(ValueError, match="use a smaller box"):
        lamp_for(replace(box, width=3.0, air_changes=60), 90, 0)


def test_soil_gets_wetter_under_misting_and_drains_when_full(truth: Truth) -> None:
    soaked = replace(named("soaked", GLASS), box=replace(GLASS.box, substrate_filled=1.0, substrate_openness=0.05))
    run = Simulator(a_scene((soaked,)), 1).run(START_MS, START_MS + DAY_MS)
    assert run.ledger.water_drained[0] > 0.01
    assert run.of(0, "substrate", "soil_moisture").max() == pytest.approx(100, abs=0.1)
    assert truth.of(0, "substrate", "soil_moisture")[-1] < 100
