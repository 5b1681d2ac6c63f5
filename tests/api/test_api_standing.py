from datetime import datetime, timedelta
from typing import Any

import pytest
from api_room import MINUTE, NOW, House, dated

from service.api.standing import Standing, standing
from service.model import Flag, MistingSchedule, to_ms
from service.store.readings import next_number

NIGHT = datetime.fromisoformat("2026-03-10T23:00:00+00:00")


def now(house: House, at: datetime = NOW) -> dict[str, Standing]:
    """Return how each enclosure stands at a time, by its key."""
    with house.store.read() as session:
        found = standing(session, house.parts.facts(session), at, house.parts.rhythms)
        return {stands.enclosure.key: stands for stands in found.values()}


def spot(house: House, value: float, at: datetime = NOW + MINUTE, flags: int = 1) -> None:
    """Let the basking spot of rack-a-1 read a value."""
    house.room.readings(house.room.channels["a1-spot/surface_temperature"], [(at, value, flags)])


def test_a_well_enclosure_is_steady_and_shows_its_basking_spot(house: House) -> None:
    stands = now(house)["rack-a-1"]
    assert (stands.state, stands.word, stands.part_of_day) == ("steady", "steady", "day")
    assert stands.figure is not None
    assert (stands.figure.about, stands.figure.value, stands.figure.unit) == ("Basking spot", 33.5, "Cel")
    assert stands.sentence.startswith("Basking spot 33.5 °C")
    assert stands.newest_at_ms == to_ms(NOW)


def test_an_enclosure_whose_probe_is_silent_is_blind_and_says_which_and_since_when(house: House) -> None:
    stands = now(house)["rack-a-2"]
    assert stands.state == "blind"
    assert "a2-spot since 12:00" in stands.sentence


def test_an_enclosure_without_probes_is_resting_only_while_no_profile_asks_for_anything(house: House) -> None:
    house.room.enclosure("forgotten")
    stood = now(house)
    assert stood["spare"].state == "resting"
    assert stood["forgotten"].state == "blind"
    assert "No probe is placed here" in stood["forgotten"].sentence


@pytest.mark.parametrize(
    ("priority", "state", "expected"),
    [
        ("high", "unacknowledged", "act"),
        ("high", "acknowledged", "act"),
        ("medium", "unacknowledged", "act"),
        ("low", "unacknowledged", "drifting"),
        ("high", "returned, unacknowledged", "steady"),
        ("high", "normal", "steady"),
    ],
)
def test_the_state_follows_the_worst_standing_alarm(priority: str, state: str, expected: str, house: House) -> None:
    raised = house.room.alarm("rack-a-1", "basking-overheat", priority=priority, value=41.0, limit=40.0, unit="Cel")
    house.room.move_alarm(raised, state)
    assert now(house)["rack-a-1"].state == expected


def test_a_silent_alarm_makes_blind_though_it_is_of_medium_priority(house: House) -> None:
    house.room.alarm("rack-a-1", "probe-silent", priority="medium", limit=None)
    assert now(house)["rack-a-1"].state == "blind"


def test_overheating_goes_before_silence_and_its_figure_is_the_value_of_now(house: House) -> None:
    house.room.alarm("rack-a-1", "probe-silent", priority="medium", limit=None, place="rack-a-1/ambient")
    channel = house.room.channels["a1-spot/surface_temperature"]
    cause: dict[str, Any] = {"cause": "the ambient is steady: check the lamp's height"}
    house.room.alarm("rack-a-1", "basking-overheat", value=40.6, limit=40.0, unit="Cel", channel_id=channel, **cause)
    spot(house, 41.2)
    stands = now(house, NOW + MINUTE)["rack-a-1"]
    assert (stands.state, stands.word) == ("act", "too hot")
    assert stands.figure is not None
    assert (stands.figure.value, stands.figure.limit) == (41.2, 40.0)
    assert stands.sentence == (
        "Basking spot 41.2 °C, limit 40.0 °C, for 6 min. The ambient is steady: check the lamp's height."
    )
    assert [alarm.condition for alarm in stands.alarms] == ["basking-overheat", "probe-silent"]


def test_a_value_outside_its_target_for_certain_is_drifting_and_one_within_the_uncertainty_is_not(
    house: House,
) -> None:
    spot(house, 36.1)
    assert now(house, NOW + MINUTE)["rack-a-1"].state == "steady"
    spot(house, 37.5, NOW + 2 * MINUTE)
    stands = now(house, NOW + 2 * MINUTE)["rack-a-1"]
    assert stands.state == "drifting"
    assert stands.figure is not None
    assert stands.figure.limit == 36.0
    assert stands.sentence == "Basking spot 37.5 °C, above its target of 36.0 °C."


@pytest.mark.parametrize(("misting", "state"), [("13:30", "steady"), ("10:00", "drifting"), (None, "drifting")])
def test_humidity_above_its_band_is_a_spike_after_misting_and_drift_otherwise(
    misting: str | None, state: str, house: House
) -> None:
    # Two in the afternoon in Lisbon: half an hour after one cycle, four hours after the other.
    if misting is not None:
        with house.store.write() as session:
            enclosure = house.room.enclosures["rack-a-1"]
            session.add(MistingSchedule(enclosure_id=enclosure, cycles=[(misting, 45)], **dated()))
            next_number(session, "facts")
    house.room.readings(house.room.channels["a1-rh/relative_humidity"], [(NOW + MINUTE, 99.0)])
    assert now(house, NOW + MINUTE)["rack-a-1"].state == state


def test_by_night_the_basking_spot_is_held_to_no_lower_end(house: House) -> None:
    for key in ("a1-spot/surface_temperature", "a1-air/air_temperature", "a1-rh/relative_humidity"):
        value = 75.0 if "humidity" in key else 22.0
        house.room.readings(house.room.channels[key], [(NIGHT, value)])
    stands = now(house, NIGHT)["rack-a-1"]
    assert (stands.part_of_day, stands.state) == ("night", "steady")
    bands = {(v.zone, v.quantity): v.target for v in stands.values}
    assert bands["basking", "surface_temperature"] is not None
    assert bands["basking", "surface_temperature"].check == "hot-spot-peak"
    assert bands["ambient", "air_temperature"] is not None
    assert bands["ambient", "air_temperature"].low == 20.0


def test_just_after_lights_on_the_hot_spot_is_not_asked_for_yet(house: House) -> None:
    stands = now(house, NOW.replace(hour=8, minute=0))["rack-a-1"]
    assert stands.part_of_day == "between"
    assert stands.basking is not None
    assert stands.basking.target is not None
    assert stands.basking.target.low is None


@pytest.mark.parametrize("flag", [Flag.APPROXIMATE, Flag.IMPOSSIBLE])
def test_an_unfit_reading_is_shown_and_never_judged(flag: Flag, house: House) -> None:
    spot(house, 85.0, flags=int(flag))
    stands = now(house, NOW + MINUTE)["rack-a-1"]
    assert stands.basking is not None
    assert (stands.basking.value, stands.basking.fresh) == (85.0, False)
    assert stands.state == "blind"


def test_a_calibration_corrects_what_is_shown_and_brings_its_own_uncertainty_that_grows_with_time(house: House) -> None:
    channel = house.room.channels["a1-spot/surface_temperature"]
    before = now(house)["rack-a-1"].basking
    house.room.calibrate(channel, NOW - timedelta(days=1), reference=30.0, reads=31.0)
    after = now(house)["rack-a-1"].basking
    assert before is not None
    assert after is not None
    assert after.value == before.value - 1.0
    assert 0.3 < after.uncertainty < 0.302
    later = NOW + timedelta(days=365)
    spot(house, 34.5, later)
    aged = now(house, later)["rack-a-1"].basking
    assert aged is not None
    assert aged.uncertainty == pytest.approx(0.3 + 12 * 0.02, abs=0.01)


def test_of_two_probes_in_a_zone_the_fresh_one_is_shown(house: House) -> None:
    second = house.room.channel("a1-spot2", "surface_temperature", model="ds18b20")
    house.room.place(second, "rack-a-1", "basking")
    house.room.readings(second, [(NOW + 60 * MINUTE, 34.4)])
    stands = now(house, NOW + 60 * MINUTE)["rack-a-1"]
    assert stands.basking is not None
    assert stands.basking.channel == "a1-spot2/surface_temperature"


def test_a_reading_from_before_a_move_says_nothing_of_the_new_place(house: House) -> None:
    mover = house.room.channel("mover", "air_temperature")
    house.room.place(mover, "rack-a-1", "canopy", end=NOW - 2 * MINUTE)
    house.room.place(mover, "spare", "canopy", start=NOW - 2 * MINUTE)
    house.room.readings(mover, [(NOW - 5 * MINUTE, 30.0)])
    stood = now(house)
    assert all(value.channel != "mover/air_temperature" for value in stood["spare"].values)
    assert all(value.channel != "mover/air_temperature" for value in stood["rack-a-1"].values)


def test_measured_light_says_when_it_is_day_whatever_the_schedule_says(house: House) -> None:
    light = house.room.channel("a1-light", "illuminance", every_s=300.0)
    house.room.place(light, "rack-a-1", "canopy")
    lights_on = NOW - timedelta(minutes=30)
    midnight = NOW.replace(hour=0)
    times = [midnight + 5 * n * MINUTE for n in range(14 * 12 + 1)]
    house.room.readings(light, [(at, 5000.0 if at >= lights_on else 0.0) for at in times])
    assert now(house)["rack-a-1"].part_of_day == "between"
