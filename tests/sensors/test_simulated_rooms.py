"""The rooms to show and to test with: whole, decodable, and the same again from the same seed."""

import tomllib

import numpy as np
import pytest
from conftest import DAY_MS, HOUR_MS, START_MS

from sensors.catalogue import CATALOGUE
from sensors.payloads import decoder_for
from sensors.quantities import QUANTITIES
from sensors.simulator import (
    KEEPINGS,
    Enclosure,
    Fault,
    ProbeReadings,
    Scene,
    SimulatedRoom,
    glasshouse,
    mapping_of,
    messages_of,
    random_scene,
    room_toml,
)
from sensors.simulator.random_scene import ENCLOSURE_FAULTS, FURTHER_FAULTS, PROBE_FAULTS

NOW_MS = START_MS + 31 * DAY_MS + 12 * HOUR_MS
SCENE = glasshouse(NOW_MS)
ROOM = tomllib.loads(room_toml(SCENE))


@pytest.fixture(scope="module")
def hour() -> list[ProbeReadings]:
    """The hour around now, in which the troubles of now begin."""
    room = SimulatedRoom(SCENE, 1)
    return next(iter(room.history(NOW_MS - HOUR_MS // 2, NOW_MS + HOUR_MS // 2)))[1]


def test_the_glasshouse_has_24_enclosures_on_three_racks_and_eight_species() -> None:
    places = {(enclosure.rack, enclosure.level, enclosure.slot) for enclosure in SCENE.enclosures}
    assert len(places) == len(SCENE.enclosures) == 24
    assert {rack for rack, _, _ in places} == {"A", "B", "C"}
    assert {enclosure.profile for enclosure in SCENE.enclosures} == set(KEEPINGS)
    assert len({enclosure.name for enclosure in SCENE.enclosures}) == 24


@pytest.mark.parametrize("enclosure", SCENE.enclosures, ids=lambda enclosure: enclosure.id)
def test_every_enclosure_has_what_its_checks_need(enclosure: Enclosure) -> None:
    has = {
        (channel.zone, channel.quantity)
        for probe in SCENE.probes
        for channel in probe.channels
        if channel.enclosure == enclosure.id
    }
    needed = {("ambient", "air_temperature"), ("ambient", "relative_humidity"), ("cool-end", "air_temperature")}
    needed.add(("basking", "surface_temperature") if enclosure.equipment.lamp_watts else ("canopy", "illuminance"))
    assert has >= needed


def test_every_fault_happens_somewhere_that_exists() -> None:
    places = {enclosure.id for enclosure in SCENE.enclosures} | {probe.id for probe in SCENE.probes}
    places |= {probe.gateway for probe in SCENE.probes} | {SCENE.room}
    assert {fault.where.split("/")[0] for fault in SCENE.faults} <= places
    assert len({fault.kind for fault in SCENE.faults}) >= 12
    assert all(fault.start_ms < fault.end_ms for fault in SCENE.faults)
    assert all(fault.start_ms > NOW_MS - 30 * DAY_MS for fault in SCENE.faults)


def overheating(scene: Scene, now_ms: int) -> Fault:
    """Return the spot that overheats now."""
    (fault,) = [
        fault
        for fault in scene.faults
        if fault.start_ms <= now_ms < fault.end_ms and fault.kind in {"stuck-thermostat", "welded-relay"}
    ]
    return fault


@pytest.mark.parametrize("hour_of_day", [1, 6, 12, 18, 23])
def test_whatever_the_hour_a_spot_overheats_within_minutes_of_now(hour_of_day: int) -> None:
    now_ms = START_MS + 5 * DAY_MS + hour_of_day * HOUR_MS
    scene = glasshouse(now_ms)
    fault = overheating(scene, now_ms)
    room = SimulatedRoom(scene, 1)
    truth, _ = next(iter(room.history(now_ms, now_ms + 45 * 60_000)))
    spot = truth.of(truth.index_of(fault.where), "basking", "surface_temperature")
    assert spot[-1] > spot[0] + 5
    assert spot[-1] > 40


def test_a_healthy_room_overheats_nowhere() -> None:
    rng = np.random.default_rng(4)
    scene = random_scene(rng, START_MS, enclosures=12, with_faults=False)
    truth, _ = next(iter(SimulatedRoom(scene, 1).history(START_MS, START_MS + DAY_MS)))
    for index, enclosure in enumerate(scene.enclosures):
        if enclosure.equipment.lamp_watts:
            spot = truth.of(index, "basking", "surface_temperature")
            assert spot.max() < max(enclosure.equipment.lamp_set, enclosure.equipment.heater_day) + 2.5


def test_the_room_file_names_what_the_scene_holds() -> None:
    assert [enclosure["id"] for enclosure in ROOM["enclosure"]] == [enclosure.id for enclosure in SCENE.enclosures]
    assert [probe["id"] for probe in ROOM["probe"]] == [probe.id for probe in SCENE.probes]
    assert ROOM["site"] == {"name": "Glasshouse", "timezone": "Europe/Lisbon"}
    first = ROOM["enclosure"][0]
    assert first["misting"][0] == {"at": "08:30", "seconds": 45}
    assert len(first["misting"]) == len(SCENE.enclosures[0].misting)
    assert first["place"] == {"rack": "A", "level": 1, "slot": 1}


def test_an_animal_is_in_one_place_at_a_time_and_two_have_moved() -> None:
    moved = [animal for animal in ROOM["animal"] if len(animal["housing"]) == 2]
    assert len(ROOM["animal"]) == 24
    assert {animal["species"] for animal in moved} == {"Pantherophis guttatus"}
    assert all(animal["housing"][0]["until"] == animal["housing"][1]["from"] for animal in moved)
    now = {animal["housing"][-1]["enclosure"] for animal in ROOM["animal"]}
    assert now == {enclosure.id for enclosure in SCENE.enclosures}


def test_some_uvb_lamp_is_overdue_and_most_are_not() -> None:
    ages = [(NOW_MS - fitting.installed_ms) / DAY_MS / 30.4 for fitting in SCENE.fittings]
    assert 0 < sum(age > 8 for age in ages) < len(ages) / 3
    assert len(ROOM["equipment"]) == len(ages)


@pytest.mark.parametrize("probe", ROOM["probe"], ids=lambda probe: probe["id"])
def test_the_room_file_speaks_the_catalogue_s_words(probe: dict) -> None:
    assert probe["model"] in CATALOGUE
    for channel in probe["channel"]:
        assert channel.get("unit", QUANTITIES[channel["quantity"]].unit) in QUANTITIES[channel["quantity"]].units


def test_every_message_decodes_to_the_reading_that_it_was_made_from(hour: list[ProbeReadings]) -> None:
    decoders = {probe.id: decoder_for(mapping_of(probe)) for probe in SCENE.probes}
    said = {
        (readings.probe.id, int(at_ms)): {name: float(column[row]) for name, column in readings.values.items()}
        for readings in hour
        for row, at_ms in enumerate(readings.at_ms)
    }
    messages = messages_of(hour)
    assert len(messages) == len(said) > 4000
    assert [message.at_ms for message in messages] == sorted(message.at_ms for message in messages)
    for message in messages:
        decoded = decoders[message.probe.id](message.payload)
        assert decoded.refusals == []
        values = {found.quantity: found.value for found in decoded.measurements}
        assert values == pytest.approx(said[message.probe.id, message.at_ms], abs=1e-4)
        timed = {found.at_ms for found in decoded.measurements}
        assert timed == ({message.at_ms} if message.probe.time_pointer else {None})


def test_the_glasshouse_speaks_every_dialect() -> None:
    assert {probe.format for probe in SCENE.probes} == {"json", "scalar"}
    assert {probe.time_pointer is None for probe in SCENE.probes} == {True, False}
    assert any(channel.unit == "degF" for probe in SCENE.probes for channel in probe.channels)


def test_a_random_room_is_the_same_again_from_the_same_seed() -> None:
    scenes = [random_scene(np.random.default_rng(seed), START_MS, enclosures=10) for seed in (1, 1, 2)]
    assert scenes[0] == scenes[1] != scenes[2]


def test_random_rooms_hold_every_fault_and_cadence() -> None:
    scene = random_scene(np.random.default_rng(7), START_MS, enclosures=300)
    assert {fault.kind for fault in scene.faults} == {*ENCLOSURE_FAULTS, *PROBE_FAULTS, *FURTHER_FAULTS}
    assert {probe.every for probe in scene.probes} == {10.0, 30.0, 60.0, 120.0, 300.0}
    tomllib.loads(room_toml(scene))


@pytest.mark.parametrize("seed", range(3))
def test_a_random_room_runs_within_physical_bounds(seed: int) -> None:
    scene = random_scene(np.random.default_rng(seed), START_MS, enclosures=15, days=1)
    truth, sent = next(iter(SimulatedRoom(scene, seed).history(START_MS, START_MS + DAY_MS)))
    ambient, humidity = (truth.series("ambient", name) for name in ("air_temperature", "relative_humidity"))
    assert 8 < ambient.min() < ambient.max() < 50
    assert 3 < humidity.min() < humidity.max() <= 100
    for readings in sent:
        assert (np.diff(readings.at_ms) > 0).all()
        assert all(np.isfinite(column).all() for column in readings.values.values())
