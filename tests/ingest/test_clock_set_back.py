"""The computer's clock is set back while probes without a clock speak: each reading is kept, at the clock's time."""

import pytest

from service.ingest.arrivals import Arrival
from service.ingest.intake import Backlog, Intake
from service.model import TURN_BITS, Flag
from service.store.assessments import DayMarks
from service.store.engine import Store
from service.store.integrity import check_store
from service.store.readings import add_readings, in_present_turn, newest_readings
from service.store.sealing import Sealer
from tests.builders import MINUTE, NOON_MS, a_probe, a_site, stored

HOUR = 60 * MINUTE
PLAIN, TIMED = 1, 2
JUDGED_BEFORE = Flag.ARRIVAL_CLOCK | Flag.CLOCK_SET_BACK | Flag.DELAYED


@pytest.fixture
def room(store: Store) -> Store:
    with store.write() as session:
        a_site(session)
        a_probe(session, "plain", ("air_temperature",), format="scalar")
        a_probe(session, "timed", ("air_temperature",), time_pointer="/at")
    return store


def says(intake: Intake, at_ms: int, value: float, backlog: Backlog | None = None) -> None:
    intake.take([Arrival("probes/plain", str(value).encode(), 0, 0, False, False, at_ms)], "s", backlog)


def turns(store: Store, channel: int = PLAIN) -> list[int]:
    return ((stored(store, channel).flags & TURN_BITS) // (TURN_BITS & -TURN_BITS)).tolist()


def newest(store: Store, channel: int = PLAIN) -> tuple[int, float]:
    with store.read() as session:
        return {row.channel_id: (row.at_ms, row.value) for row in newest_readings(session)}[channel]


def test_set_back_by_an_hour_readings_have_the_clocks_time_again_and_none_is_lost(room: Store) -> None:
    intake = Intake(room, 500)
    for minute in range(61):
        says(intake, NOON_MS + minute * MINUTE, minute)
    says(intake, NOON_MS + MINUTE // 2, -0.25)
    assert newest(room) == (NOON_MS + MINUTE // 2, -0.25)  # what is newest is what came last
    for minute in range(1, 63):  # at the very milliseconds that are taken
        says(intake, NOON_MS + minute * MINUTE, -minute / 2)
    found = stored(room, PLAIN)
    assert sorted(found.value.tolist()) == sorted([*range(61), -0.25, *(-minute / 2 for minute in range(1, 63))])
    again = found.value < 0
    assert found.at[again].tolist() == [
        NOON_MS + MINUTE // 2,
        *(NOON_MS + minute * MINUTE + (minute <= 60) for minute in range(1, 63)),
    ]
    assert set(turns(room)) == {0, 1}
    flags = [flags & ~TURN_BITS for flags in found.flags[again].tolist()]
    assert flags == [JUDGED_BEFORE] * 61 + [Flag.ARRIVAL_CLOCK] * 2
    assert intake.repeated == 0
    with room.read() as session:
        assert check_store(session) == []


def test_small_corrections_keep_readings_in_order(room: Store) -> None:
    intake = Intake(room, 500)
    for at, value in ((0, 1.0), (1_900, 2.0), (100, 3.0), (1_000, 4.0), (2_500, 5.0)):
        says(intake, NOON_MS + at, value)
    found = stored(room, PLAIN)
    assert found.value.tolist() == [1, 2, 3, 4, 5]
    assert (found.at - NOON_MS).tolist() == [0, 1_900, 1_901, 1_902, 2_500]
    assert turns(room) == [0] * 5


def test_two_workers_on_one_computer_go_back_once(room: Store) -> None:
    one, other = Intake(room, 500), Intake(room, 500)
    for minute in range(10):
        says((one, other)[minute % 2], NOON_MS + minute * MINUTE, minute)
    for minute in range(20):
        says((one, other)[minute % 2], NOON_MS - 30 * MINUTE + minute * MINUTE, 100 + minute)
    assert turns(room) == [1] * 20 + [0] * 10
    assert stored(room, PLAIN).at[:20].tolist() == [NOON_MS - (30 - minute) * MINUTE for minute in range(20)]


def test_a_worker_whose_clock_is_behind_anothers_keeps_readings_in_order(room: Store) -> None:
    one, other = Intake(room, 500), Intake(room, 500)
    for minute in range(20):
        behind = 4 * MINUTE * (minute % 2)
        says((one, other)[minute % 2], NOON_MS + minute * MINUTE - behind, minute)
    found = stored(room, PLAIN)
    # At its first word nobody can tell whether its clock was set back; it goes back then, and never again.
    assert sorted(set(turns(room))) == [0, 1]
    since = [value for value, turn in zip(found.value.tolist(), turns(room), strict=True) if turn]
    assert since == list(range(1, 20))


def test_set_back_while_nobody_listened_the_backlog_is_laid_before_the_present(room: Store) -> None:
    says(Intake(room, 500), NOON_MS, 1.0)
    resumed = NOON_MS - 5 * HOUR
    later = Intake(room, 500)
    for value in (2.0, 3.0):
        says(later, resumed + 20, value, Backlog(resumed, more=False))
    says(later, resumed + MINUTE, 4.0)
    found = stored(room, PLAIN)
    assert found.value.tolist() == [2, 3, 4, 1]
    assert found.at[2] == resumed + MINUTE
    assert [bool(flags & Flag.APPROXIMATE) for flags in found.flags] == [True, True, False, False]
    # By so much that everything is judged anew.
    assert not any(flags & Flag.DELAYED for flags in found.flags)


def test_a_probe_whose_own_time_is_refused_then_is_no_late_one(room: Store) -> None:
    intake = Intake(room, 500)
    for minute in range(3):
        at = NOON_MS + minute * MINUTE
        payload = f'{{"air_temperature": {minute}, "at": {at}}}'.encode()
        says_timed = Arrival("probes/timed", payload, 0, 0, False, False, at if minute < 1 else at - HOUR)
        intake.take([says_timed], "s")
    found = stored(room, TIMED)
    assert found.value.tolist() == [1, 2, 0]
    assert not any(flags & Flag.LATE for flags in found.flags)


def test_sealed_days_are_sealed_again_and_the_kept_days_are_stale(room: Store) -> None:
    day = 24 * HOUR
    intake = Intake(room, 500)
    for step in range(0, 3 * 24, 4):
        says(intake, NOON_MS + step * HOUR, step)

    def marks() -> list:
        with room.read() as session:
            return DayMarks(session, [PLAIN]).of(PLAIN, NOON_MS - day, NOON_MS + 4 * day)

    before = marks()
    assert sum(1 for _ in Sealer(room).run(NOON_MS + 4 * day))
    for step in range(0, 3 * 24, 4):
        says(intake, NOON_MS + step * HOUR, 100 + step)
    after = marks()
    assert sorted(stored(room, PLAIN).value.tolist()) == [*range(0, 72, 4), *range(100, 172, 4)]
    assert [one != other for one, other in zip(before, after, strict=True)] == [False, True, True, True, True, False]
    with room.read() as session:
        assert check_store(session) == []


def test_what_is_stored_by_other_ways_keeps_the_turn(room: Store) -> None:
    intake = Intake(room, 500)
    says(intake, NOON_MS, 1.0)
    says(intake, NOON_MS - HOUR, 2.0)
    with room.write() as session:
        add_readings(session, in_present_turn(session, [(PLAIN, NOON_MS + HOUR, 3.0, int(Flag.DEVICE_CLOCK))]))
    assert turns(room) == [1, 0, 1]
