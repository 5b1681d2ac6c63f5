"""Another time zone, with every schedule moved along, shifts the days and no alarm of the watch."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensors.simulator import Enclosure, Scene, SimulatedRoom
from service.store.facts import load_facts
from service.store.readings import add_readings
from tests.truth.past import Case, a_store, rows_of
from tests.truth.tally import Alarm
from tests.truth.watching import watched

# None of these changes its clocks while the rooms are watched, nor do their dates cross a season of a profile.
_ZONES = ("Asia/Kathmandu", "America/St_Johns", "Pacific/Kiritimati", "Pacific/Pago_Pago", "Australia/Eucla", "UTC")
_START = int(datetime(2026, 6, 10, tzinfo=UTC).timestamp() * 1000)


class Summer(Case):
    @property
    def start_ms(self) -> int:
        return _START


def moved(scene: Scene, timezone: str) -> Scene:
    """Return a scene of UTC as it is written in another zone: the same instants."""
    offset = datetime.fromtimestamp(_START / 1000, ZoneInfo(timezone)).utcoffset()
    minutes = 0 if offset is None else int(offset.total_seconds()) // 60

    def clock(text: str) -> str:
        at = (int(text[:2]) * 60 + int(text[3:]) + minutes) % 1440
        return f"{at // 60:02d}:{at % 60:02d}"

    def written(enclosure: Enclosure) -> Enclosure:
        misting = tuple(replace(due, at=clock(due.at)) for due in enclosure.misting)
        on, off = clock(enclosure.lights_on), clock(enclosure.lights_off)
        return replace(enclosure, lights_on=on, lights_off=off, misting=misting)

    return replace(scene, timezone=timezone, enclosures=tuple(written(e) for e in scene.enclosures))


def alarms_of(case: Case, scene: Scene, timezone: str) -> list[Alarm]:
    """Store what the room of UTC sent under facts that are written in a zone, and watch it."""
    with TemporaryDirectory() as folder:
        store = a_store(Path(folder), case, moved(scene, timezone))
        with store.read() as session:
            facts = load_facts(session)
        for _truth, sent in SimulatedRoom(scene, case.seed).history(case.start_ms, case.end_ms):
            with store.write() as session:
                add_readings(session, rows_of(facts, sent))
        found = watched(store, case)
        store.close()
    return found


def told(alarms: Sequence[Alarm]) -> list[tuple[str, str, int, int]]:
    return [(a.condition, a.place, a.raised_ms, a.returned_ms) for a in alarms]


@pytest.fixture(scope="module")
def at_home() -> tuple[Case, Scene, list[tuple[str, str, int, int]]]:
    case = Summer(21, 3, 4)
    scene = replace(case.scene(), timezone="UTC")
    return case, scene, told(alarms_of(case, scene, "UTC"))


@settings(max_examples=3, deadline=None)
@given(timezone=st.sampled_from(_ZONES))
def test_a_zone_with_its_schedules_moved_along_has_the_same_alarms(
    at_home: tuple[Case, Scene, list[tuple[str, str, int, int]]], timezone: str
) -> None:
    case, scene, alarms = at_home
    assert len(alarms) >= 3
    assert told(alarms_of(case, scene, timezone)) == alarms
