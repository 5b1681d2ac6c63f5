"""The computer's clock is set back under the watch: delays still pass, and hindsight finds the same alarms."""

from datetime import datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.ingest.arrivals import Arrival
from service.ingest.intake import Intake
from service.model import to_ms
from service.store.alarms import list_alarms
from service.store.engine import Store
from service.store.facts import load_facts
from service.store.readings import add_readings
from service.watch.enclosure_watch import EnclosureWatch
from service.watch.history import record_history
from service.watch.live import Watch
from service.watch.replay import derive, differences, recorded
from tests.builders import MINUTE, NOON_MS, a_probe, a_site, an_enclosure, stored
from tests.empty_store import sqlite_store

SPOT = 1
HOUR = 60


class Room:
    """A basking spot whose probe has no clock, its watch, and the computer's clock in minutes from noon."""

    def __init__(self, store: Store) -> None:
        self.store, self.minute = store, 0.0
        with store.write() as session:
            a_site(session)
            enclosure = an_enclosure(session)
            a_probe(session, "spot", ("surface_temperature",), enclosure, "basking", format="scalar")
        self.intake = Intake(store, 100)
        self.start_anew()

    def now_ms(self) -> int:
        return NOON_MS + round(self.minute * MINUTE)

    def start_anew(self) -> None:
        """Begin with what is saved, as after a kill."""
        self.watch = Watch(self.store, self.now_ms, lambda: None)

    def hears(self, value: float, *, after: float = 1.0) -> None:
        self.minute += after
        self.watch.step()
        self.intake.take([Arrival("probes/spot", str(value).encode(), 0, 0, False, False, self.now_ms())], "s")
        self.watch.step()

    def alarms(self) -> list[tuple[str, int | None, int | None]]:
        """Return condition, and when it was raised and returned, in minutes from noon."""
        with self.store.read() as session:
            return sorted((a.condition, _minute(a.raised_at), _minute(a.returned_at)) for a in list_alarms(session))

    def disagreements(self) -> list:
        start, end = NOON_MS - 10 * HOUR * MINUTE, self.now_ms() + 1
        with self.store.read() as session:
            facts = load_facts(session)
            return differences(recorded(session, facts, start, end, None), derive(session, facts, start, end), end)


def _minute(at: datetime | None) -> int | None:
    return None if at is None else (to_ms(at) - NOON_MS) // MINUTE


@pytest.fixture
def room(store: Store) -> Room:
    return Room(store)


@pytest.mark.parametrize("back", [3, HOUR, 30 * HOUR])
def test_a_spot_that_overheats_after_the_clock_was_set_back_is_told_in_time(room: Room, back: int) -> None:
    for _ in range(5):
        room.hears(34)
    room.minute -= back
    for value in (34, 41, 41, 41):
        room.hears(value)
    assert room.alarms() == [("basking-overheat", 8 - back, None)]
    assert room.disagreements() == []


def test_what_stands_goes_on_and_returns_no_sooner_than_it_was_raised(room: Room) -> None:
    for value in (34, 41, 41, 41):
        room.hears(value)
    assert room.alarms() == [("basking-overheat", 3, None)]
    room.minute -= HOUR
    room.start_anew()
    for value in (41, 34, 34, 34, 34):
        room.hears(value)
    assert room.alarms() == [("basking-overheat", 3, 3)]
    assert room.disagreements() == []


def test_a_delay_that_runs_goes_on_from_what_has_passed(room: Room) -> None:
    for value in (34, 34, 41):
        room.hears(value)
    room.minute -= HOUR
    for value in (41, 41):
        room.hears(value)
    assert room.alarms() == [("basking-overheat", 5 - HOUR, None)]


def test_a_probe_that_falls_silent_after_the_clock_was_set_back_is_told(room: Room) -> None:
    for _ in range(3):
        room.hears(34)
    room.minute -= HOUR
    room.hears(34)
    room.minute += 11
    room.watch.step()
    assert room.alarms() == [("probe-silent", 4 - HOUR + 10, None)]
    room.hears(34)
    assert room.alarms() == [("probe-silent", 4 - HOUR + 10, 4 - HOUR + 12)]
    assert room.disagreements() == []


def test_a_probe_never_heard_since_years_were_taken_back_is_told(room: Room) -> None:
    room.hears(34, after=50 * 365 * 24 * HOUR)
    room.minute = 0
    for _ in range(13):
        room.minute += 1
        room.watch.step()
    assert room.alarms() == [("probe-silent", 11, None)]


def test_the_enclosure_is_looked_at_again_at_once_after_more_than_two_hours(room: Room) -> None:
    with room.store.read() as session:
        facts = load_facts(session)
    watch = EnclosureWatch(facts, facts.enclosures[1], {"seen_ms": NOON_MS})
    for back, times in ((HOUR, 0), (3 * HOUR, 1)):
        watch, looked = EnclosureWatch(facts, facts.enclosures[1], {"seen_ms": NOON_MS}), list[int]()

        def read(start_ms: int, _end_ms: int, looked: list[int] = looked) -> list:
            looked.append(start_ms)
            return []

        for minute in (0, 25):
            watch.advance(NOON_MS - (back - minute) * MINUTE, read)
        assert len(looked) == times


VALUES = [20.0, 34.0, 37.5, 38.0, 39.0, 45.0]
HISTORY = st.lists(
    st.tuples(st.sampled_from([1, 1, 1, 2, 5, 9, -1, -7, -60, -200, 60]), st.sampled_from(VALUES)),
    min_size=2,
    max_size=40,
)


@given(history=HISTORY, restarts=st.sets(st.integers(0, 40)), workers=st.integers(1, 2))
@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_however_the_clock_is_set_hindsight_finds_the_same(
    history: list[tuple[int, float]], restarts: set[int], workers: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("rooms")
    stores = [sqlite_store(folder / f"{name}.db") for name in ("live", "again")]
    room, other = (Room(store) for store in stores)
    intakes = [room.intake, Intake(room.store, 100)][:workers]
    for step, (wait, value) in enumerate(history):
        room.minute += wait if -60 < wait < 60 else wait + 1
        if step in restarts:
            room.start_anew()
        room.intake = intakes[step % workers]
        room.hears(value, after=0.0 if wait > 0 else 1.0)
    found = stored(room.store, SPOT)
    assert sorted(found.value.tolist()) == sorted(value for _, value in history)
    with other.store.write() as session:
        rows = zip(found.at.tolist(), found.value.tolist(), found.flags.tolist(), strict=True)
        add_readings(session, [(SPOT, *row) for row in rows])
    first, last = int(found.at[0]), int(found.at[-1])
    record_history(other.store, first, last + 1)
    assert told(room.store) == told(other.store)
    for store in stores:
        store.close()


def told(store: Store) -> list[tuple]:
    """Return the alarms of the spot's heat: when a silence began that the clock was set in, nobody can tell."""
    with store.read() as session:
        alarms = [alarm for alarm in list_alarms(session, limit=1000) if alarm.condition != "probe-silent"]
    # While it stands, the live watch alone follows the peak.
    return sorted(
        (a.condition, a.began_at, a.raised_at, str(a.returned_at), a.value, a.peak if a.returned_at else None)
        for a in alarms
    )
