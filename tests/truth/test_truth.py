"""What the watch and the day assessment say, against what the simulator knows to be so."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from sensors.simulator import Fault, MistingTime, Scene
from service.store.facts import load_facts
from tests.truth.past import DAY, HOUR, MINUTE, Case, Past, a_store, lived_through
from tests.truth.tally import Score
from tests.truth.watching import lived, misting_verdicts

ROOMS = tuple(Case(seed, 4, 30) for seed in (41, 45))


@cache
def counted(case: Case) -> Score:
    return lived(case)[0].labelled(f"seed {case.seed}")


@pytest.fixture
def score() -> Score:
    total = Score()
    for case in ROOMS:
        total.add(counted(case))
    return total


@pytest.mark.parametrize("room", ROOMS, ids=lambda case: f"seed-{case.seed}")
def test_no_fault_that_the_physics_lets_be_seen_is_missed(room: Case) -> None:
    assert counted(room).missed == []


def test_the_rooms_hold_enough_to_be_seen(score: Score) -> None:
    right, wrong = score.verdicts("healthy")
    assert score.months == 4 * len(ROOMS)  # four enclosures, thirty days
    assert right + wrong >= 300
    assert sum(tally.by_fault for tally in score.conditions.values()) >= 12
    seen = {name for name, tally in score.conditions.items() if tally.visible}
    assert {"basking-overheat", "basking-cold", "heat-at-night", "misting-missed"} <= seen


def test_misting_verdicts_are_right_by_the_water_that_entered_the_air(score: Score) -> None:
    right, wrong = score.verdicts("healthy")
    assert wrong <= 0.01 * (right + wrong), score.wrong


def test_a_dead_pump_is_never_confirmed(score: Score) -> None:
    dead = {key[2]: number for key, number in score.misting.items() if key[1] == "dead"}
    assert sum(dead.values()) >= 10
    assert "confirmed" not in dead


def test_false_alarms_of_medium_and_high_priority_are_at_most_one_a_month(score: Score) -> None:
    """Those that the probe's own error explains are counted too."""
    called = [*score.false_urgent, *score.near_urgent]
    assert len(called) <= score.months, called


def a_dead_pump_at_lights_off(case: Case) -> Scene:
    """Every enclosure mists at the minute that its lights go off, and no pump works."""
    scene = case.scene()
    enclosures = tuple(replace(e, misting=(MistingTime(e.lights_off, 45.0),)) for e in scene.enclosures)
    dead = tuple(Fault("dead-pump", e.id, case.start_ms - 3 * DAY, case.end_ms) for e in enclosures)
    return replace(scene, enclosures=enclosures, faults=dead)


def test_a_dead_pump_at_the_minute_the_lights_go_off_is_never_confirmed(tmp_path: Path) -> None:
    case = Case(5, 8, 3)
    scene = a_dead_pump_at_lights_off(case)
    store = a_store(tmp_path, case, scene)
    pasts = lived_through(case, scene, store)
    with store.read() as session:
        facts = load_facts(session)
    verdicts = [v for e in facts.enclosures.values() for v in misting_verdicts(store, facts, e, case).values()]
    store.close()
    assert len(verdicts) >= 16
    assert "confirmed" not in verdicts
    # Cooling alone must have tempted: relative humidity rose where lamps went off.
    climbs = [_climb(past) for past in pasts]
    assert max(climbs) >= 5


def _climb(past: Past) -> float:
    """Return the greatest rise of true relative humidity in the 20 min after lights off. [%RH]."""
    offs = [off for _, off in past.lights if past.at[0] + HOUR < off < past.at[-1] - HOUR]
    after = [past.humidity[past.part(off, off + 20 * MINUTE)] for off in offs]
    return max(float(humidity.max() - humidity[0]) for humidity in after)


def test_readings_that_are_imported_in_any_order_give_the_same_alarms() -> None:
    case = Case(4, 4, 4)
    score, alarms = lived(case)
    again, shuffled = lived(case, shuffled=True)
    assert alarms
    assert shuffled == alarms
    assert again.misting == score.misting
