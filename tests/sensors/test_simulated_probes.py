"""Simulated probes err as their datasheets say, and fail as told."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from conftest import DAY_MS, DRAGONS, GLASS, HOUR_MS, START_MS, a_scene, named

from sensors.catalogue import element_for
from sensors.simulator import (
    Channel,
    Fault,
    Probe,
    ProbeReadings,
    Sampler,
    Scene,
    SimulatedRoom,
    Simulator,
    Truth,
    by_channel,
)
from sensors.simulator.network import SURFACE

END_MS = START_MS + DAY_MS
FAULT_FROM, FAULT_UNTIL = START_MS + 9 * HOUR_MS, START_MS + 13 * HOUR_MS


def air_probe(key: str, **changes: object) -> Probe:
    channels = (
        Channel("air_temperature", "glass", "ambient", "/temperature"),
        Channel("relative_humidity", "glass", "ambient", "/humidity"),
    )
    return replace(Probe(key, "sht31", f"probes/{key}", channels, jitter=0.0), **changes)


def spot_probe(key: str, **changes: object) -> Probe:
    channels = (Channel("surface_temperature", "dragons", "basking", "/celsius"),)
    return replace(Probe(key, "ds18b20", f"probes/{key}", channels), **changes)


PROBES = (
    air_probe("plain"),
    air_probe("late", jitter=20.0, every=90.0),
    air_probe("lossy", drop_rate=0.1, every=10.0),
    spot_probe("spot"),
    Probe("pump", "generic-switch", "probes/pump", (Channel("switch", "glass", "ambient", "/on"),), every=1800.0),
    Probe("light", "generic-light", "probes/light", (Channel("illuminance", "glass", "canopy", "/lux"),)),
    spot_probe("stuck"),
    air_probe("wet"),
    air_probe("silent"),
    air_probe("drifting"),
    spot_probe("relayed", gateway="gateway-2"),
    spot_probe("glitching"),
)
FAULTS = (
    Fault("stuck-probe", "stuck", FAULT_FROM, FAULT_UNTIL),
    Fault("wet-probe", "wet", FAULT_FROM, FAULT_UNTIL),
    Fault("silent-probe", "silent", FAULT_FROM, FAULT_UNTIL),
    Fault("drifting-probe", "drifting/relative_humidity", START_MS, END_MS, 6.0),
    Fault("glitching-probe", "glitching", FAULT_FROM, FAULT_UNTIL, 0.1),
    Fault("gateway-cut", "gateway-2", FAULT_FROM, FAULT_UNTIL),
)
SCENE = a_scene((named("glass", GLASS), named("dragons", DRAGONS)), probes=PROBES, faults=FAULTS)


@pytest.fixture(scope="module")
def day() -> Truth:
    return Simulator(SCENE, 8).run(START_MS, END_MS)


@pytest.fixture(scope="module")
def sent(day: Truth) -> dict[str, ProbeReadings]:
    return {readings.probe.id: readings for readings in Sampler(SCENE, 8).sample(day)}


def truth_at(day: Truth, readings: ProbeReadings, quantity: str) -> np.ndarray:
    channel = next(channel for channel in readings.probe.channels if channel.quantity == quantity)
    series = day.of(day.index_of(channel.enclosure), channel.zone, quantity)
    return series[np.maximum(0, (readings.at_ms - day.start_ms) // day.step_ms - 1)]


def within(readings: ProbeReadings) -> np.ndarray:
    return (readings.at_ms >= FAULT_FROM) & (readings.at_ms < FAULT_UNTIL)


def test_a_probe_without_jitter_keeps_its_cadence(sent: dict[str, ProbeReadings]) -> None:
    assert set(np.diff(sent["plain"].at_ms)) == {60_000}
    assert sent["plain"].at_ms.size == 1440


def test_a_late_probe_is_never_late_by_more_than_its_jitter(sent: dict[str, ProbeReadings]) -> None:
    lateness = np.mod(sent["late"].at_ms - sent["late"].at_ms.min(), 90_000)
    spacing = np.diff(sent["late"].at_ms)
    assert 70_000 <= spacing.min() < spacing.max() <= 110_000
    assert np.unique(lateness).size > 500


def test_lost_messages_are_lost_whole_and_in_their_share(sent: dict[str, ProbeReadings]) -> None:
    arrived = sent["lossy"].at_ms.size / 8640
    assert arrived == pytest.approx(0.9, abs=0.015)
    assert all(values.size == sent["lossy"].at_ms.size for values in sent["lossy"].values.values())


@pytest.mark.parametrize(
    ("probe", "quantity"),
    [("plain", "air_temperature"), ("plain", "relative_humidity"), ("spot", "surface_temperature")],
)
def test_readings_stay_near_the_truth(day: Truth, sent: dict[str, ProbeReadings], probe: str, quantity: str) -> None:
    element = element_for(sent[probe].probe.model, quantity)
    error = sent[probe].values[quantity] - truth_at(day, sent[probe], quantity)
    allowed = element.accuracy + 3 * (element.repeatability or element.resolution) + element.soak_allowance
    assert abs(np.median(error)) <= allowed
    assert np.percentile(np.abs(error), 90) < allowed + 0.7  # the lag while lamp and thermostat swing


def test_values_are_whole_steps_of_the_element_s_resolution(sent: dict[str, ProbeReadings]) -> None:
    steps = sent["spot"].values["surface_temperature"] / 0.0625
    assert np.array_equal(steps, np.round(steps))
    assert all(round(value, 2) == value for value in sent["plain"].values["relative_humidity"].tolist())


def test_a_probe_follows_a_warming_spot_late(day: Truth, sent: dict[str, ProbeReadings]) -> None:
    warming = (sent["spot"].at_ms > START_MS + 7.55 * HOUR_MS) & (sent["spot"].at_ms < START_MS + 7.9 * HOUR_MS)
    behind = truth_at(day, sent["spot"], "surface_temperature") - sent["spot"].values["surface_temperature"]
    resting = sent["spot"].at_ms < START_MS + 7 * HOUR_MS
    assert behind[warming].mean() > behind[resting].mean() + 0.3


def test_a_pump_s_contact_tells_each_start_and_stop_at_once(day: Truth, sent: dict[str, ProbeReadings]) -> None:
    pump = sent["pump"]
    starts = pump.at_ms[np.flatnonzero(np.diff(pump.values["switch"], prepend=0.0) == 1)]
    stops = pump.at_ms[np.flatnonzero(np.diff(pump.values["switch"], prepend=0.0) == -1)]
    due = [cycle.at_ms for cycle in day.cycles if cycle.enclosure == "glass"]
    assert starts.tolist() == due
    assert (stops - starts).tolist() == [45_000, 45_000]
    assert pump.at_ms.size == 48 + 4


def test_a_light_meter_sees_the_lights_and_little_else(day: Truth, sent: dict[str, ProbeReadings]) -> None:
    lux = sent["light"].values["illuminance"]
    lit = day.lit[(sent["light"].at_ms - day.start_ms) // day.step_ms - 1, 0]
    assert lux[lit].min() > 10_000
    assert np.percentile(lux[~lit], 99) < 500


def test_a_stuck_probe_holds_the_value_at_which_it_stuck(sent: dict[str, ProbeReadings]) -> None:
    held = sent["stuck"].values["surface_temperature"][within(sent["stuck"])]
    assert np.unique(held).size == 1
    assert np.unique(sent["stuck"].values["surface_temperature"][~within(sent["stuck"])]).size > 50


def test_a_wet_probe_reads_full_while_its_thermometer_still_works(sent: dict[str, ProbeReadings]) -> None:
    wet = within(sent["wet"])
    assert (sent["wet"].values["relative_humidity"][wet] == 100).all()
    assert np.unique(sent["wet"].values["air_temperature"][wet]).size > 20


def test_a_glitching_probe_shows_now_and_then_what_its_element_shows_when_it_did_not_measure(
    sent: dict[str, ProbeReadings],
) -> None:
    values, inside = sent["glitching"].values["surface_temperature"], within(sent["glitching"])
    struck = values == element_for("ds18b20", "surface_temperature").artefacts[0]
    assert 0.05 < struck[inside].mean() < 0.15
    assert not struck[~inside].any()
    assert values[~struck].max() < 60


def test_a_silent_probe_and_a_cut_gateway_send_nothing(sent: dict[str, ProbeReadings]) -> None:
    for key in ("silent", "relayed"):
        assert not within(sent[key]).any()
        assert sent[key].at_ms.size == pytest.approx(20 * 60, abs=2)
    assert within(sent["plain"]).sum() == 240


def test_a_drifting_probe_walks_away_at_its_rate(day: Truth, sent: dict[str, ProbeReadings]) -> None:
    drifting = sent["drifting"]
    error = drifting.values["relative_humidity"] - truth_at(day, drifting, "relative_humidity")
    dark = (drifting.at_ms - START_MS) % DAY_MS
    early, late = error[dark < HOUR_MS].mean(), error[dark > 23 * HOUR_MS].mean()
    assert late - early == pytest.approx(6.0 * 23 / 24, abs=1.5)
    steady = drifting.values["air_temperature"] - truth_at(day, drifting, "air_temperature")
    assert abs(steady[dark > 23 * HOUR_MS].mean() - steady[dark < HOUR_MS].mean()) < 0.2


def test_a_humidity_element_that_stays_wet_comes_to_read_high() -> None:
    soaked = replace(GLASS, box=replace(GLASS.box, air_changes=0.3, substrate_openness=1.0))
    scene = a_scene((named("glass", soaked),), probes=(air_probe("plain"),))
    room = SimulatedRoom(scene, 1)
    errors = [
        np.median(sent[0].values["relative_humidity"] - truth_at(truth, sent[0], "relative_humidity"))
        for truth, sent in room.history(START_MS, START_MS + 5 * DAY_MS)
    ]
    assert errors[-1] - errors[0] > 1.0
    assert all(later > earlier - 0.1 for earlier, later in itertools.pairwise(errors))


def test_sampling_in_pieces_is_sampling_in_one(day: Truth, sent: dict[str, ProbeReadings]) -> None:
    room = SimulatedRoom(SCENE, 8)
    pieces = [part for _, part in room.history(START_MS, START_MS + 9 * HOUR_MS)]
    cuts = (START_MS + 9 * HOUR_MS + 90_000, START_MS + 15 * HOUR_MS + 30 * 60_000 + 15_000, END_MS)
    pieces += [room.advance(cut)[1] for cut in cuts]
    for place, probe in enumerate(PROBES):
        whole = sent[probe.id]
        assert np.array_equal(np.concatenate([piece[place].at_ms for piece in pieces]), whole.at_ms)
        for quantity, values in whole.values.items():
            joined = np.concatenate([piece[place].values[quantity] for piece in pieces])
            assert np.array_equal(joined, values), (probe.id, quantity)


def test_probes_of_one_model_err_each_in_their_own_way(sent: dict[str, ProbeReadings]) -> None:
    first, second = (sent[key].values["air_temperature"][:300] for key in ("plain", "silent"))
    assert 0.01 < abs(np.mean(first - second)) < 0.4


def test_readings_can_be_taken_channel_by_channel(sent: dict[str, ProbeReadings]) -> None:
    channels = by_channel(list(sent.values()))
    assert len(channels) == sum(len(probe.channels) for probe in PROBES)
    assert {(channel.probe, channel.quantity) for channel in channels} >= {
        ("plain", "relative_humidity"),
        ("pump", "switch"),
    }
    assert all(channel.at_ms.size == channel.value.size for channel in channels)


def test_another_seed_gives_other_probes(day: Truth, sent: dict[str, ProbeReadings]) -> None:
    scene: Scene = replace(SCENE, probes=PROBES[:1])
    (other,) = Sampler(scene, 9).sample(day)
    assert not np.array_equal(other.at_ms, sent["plain"].at_ms)


@pytest.mark.parametrize(("elapsed_in_tau", "fraction"), [(1, 0.6321), (2, 0.8647), (3, 0.9502), (5, 0.9933)])
def test_an_element_answers_a_step_as_a_first_order_lag(day: Truth, elapsed_in_tau: int, fraction: float) -> None:
    # Source: the definition of a time constant. Still air: three times the sheet's 25 s, five steps of the simulation.
    scene = replace(SCENE, probes=(spot_probe("spot", every=15.0, jitter=0.0),), faults=())
    stepped = day.state.copy()
    stepped[:, SURFACE] = 20.0
    stepped[1000:, SURFACE] = 60.0
    (sent,) = Sampler(scene, 8).sample(replace(day, scene=scene, state=stepped))
    values = sent.values["surface_temperature"]
    after = START_MS + (1000 + 5 * elapsed_in_tau) * day.step_ms
    start = np.median(values[:900])
    reached = values[np.searchsorted(sent.at_ms, after)]
    assert (reached - start) / 40.0 == pytest.approx(fraction, abs=0.006)
