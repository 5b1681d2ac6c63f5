"""An animal is followed through its housings; what is said of it is what the readings and the keeper's entries give."""

from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa
from animal_room import COLD, KEEPER, WELL, furnish_animals, part, told
from past_room import CLOCK, enter, instant, ms, put
from sqlmodel import Session

from service.errors import BadUse, NotFound
from service.lookback.lives.corrections import is_correction
from service.model import Housing, JournalEntry, Placement, Reading, table_of
from service.store.animals import AnimalFact, animal_named, correct_housing
from service.store.care import NewDone, add_done, add_task
from service.store.dated import replace, withdraw
from service.store.engine import Store
from service.store.journal import correct_entry
from service.store.lag_windows import set_lag_days
from service.store.readings import next_number
from tests.empty_store import sqlite_store


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """Filled once: tests only ask it."""
    store = sqlite_store(tmp_path_factory.mktemp("animals") / "wardian.db")
    furnish_animals(store)
    yield store
    store.close()


@pytest.fixture
def own_room(tmp_path: Path) -> Iterator[Store]:
    """One that a test may write to."""
    store = sqlite_store(tmp_path / "wardian.db")
    furnish_animals(store)
    yield store
    store.close()


def amber(session: Session) -> AnimalFact:
    return animal_named(session, "Amber")


def test_an_ill_animal_is_looked_back_at_over_the_six_weeks_before(room: Store) -> None:
    report = told(room)
    assert report["event_at"] == "2026-03-30T09:00:00.000Z"
    assert (report["from"], report["to"]) == ("2026-02-16T00:00:00.000Z", "2026-03-31T00:00:00.000Z")
    assert [h["enclosure"] for h in report["subject"]["housings"]] == ["well", "cold"]
    # On the day of the move both enclosures are told, each as its whole day was.
    moved = [day["enclosure"] for day in report["days"] if day["date"] == "2026-03-22"]
    assert moved == ["well", "cold"]
    assert report["summary"]["verdict"] == "not met"


def test_the_summary_says_what_was_outside_and_what_changed_shortly_before(room: Store) -> None:
    report = told(room)
    outside = part(report, "Outside the profile")
    assert "The cold one: Basking spot in its band: target missed on 9 of 9 days (22 to 30 March)" in outside
    assert "for certain beyond what the probes may be off by" in outside
    assert "Gradient from warm to cool: not known on any day" in part(report, "What is not known")
    before = part(report, "What changed shortly before")
    assert "22 March 12:00, 8 days before: moved into The cold one." in before
    assert "Last noted as fed 9 days before, longer than usual: usually every 3.0 days." in before
    assert "It refused food once in the 14 days before." in before
    assert not any("diagnos" in sentence for sentence in report["summary"]["sentences"])


def test_care_that_was_done_and_care_that_was_missed_are_told(own_room: Store) -> None:
    with own_room.write() as session:
        task = add_task(session, "clean the filter", 7, COLD, instant(10), KEEPER, instant(9))
        other = add_task(session, "change the water", 7, WELL, instant(10), KEEPER, instant(9))
        done = NewDone("clean the filter", instant(21, 9), COLD, note="brown")
        add_done(session, done, KEEPER, instant(21, 9), task_id=task.id)
        # In its former enclosure, after it had moved: no part of its life.
        add_done(session, NewDone("change the water", instant(22), WELL), KEEPER, instant(22), task_id=other.id)
        add_done(session, NewDone("uv-index", instant(15, 9), WELL, 3.5, "basking"), KEEPER, instant(15, 9))
    report = told(own_room)
    said = part(report, "What changed shortly before")
    assert "23 March 09:00, 7 days before: done in cold: clean the filter (brown)." in said
    assert "done in well: UV index 3.5 measured." in said
    assert "change the water" not in said
    assert [one["kind"] for one in report["changes"]].count("care") == 2
    with own_room.write() as session:
        add_task(session, "descale the nozzles", 30, COLD, instant(20), KEEPER, instant(9))
    missed = part(told(own_room), "What changed shortly before")
    assert "The care task “descale the nozzles” of The cold one was 8 days overdue: never noted as done." in missed


def test_it_is_compared_with_the_weeks_before_and_with_neighbours_that_lived_elsewhere(room: Store) -> None:
    compared = told(room)["compared"]
    for rows in (compared["before"], compared["neighbours"]["checks"]):
        spot = next(row for row in rows if row["check"] == "hot-spot-peak")
        assert (spot["own"] < 25, spot["other"] > 34, spot["apart"]) == (True, True, True)
        assert [row["check"] for row in rows if row["apart"]] == ["hot-spot", "hot-spot-peak"]
    assert compared["neighbours"]["names"] == ["Basil"]
    # Basil lives where Amber lived: of the time that they were together nothing is compared.
    assert told(room, last="2026-03-10", first="2026-03-01")["compared"]["neighbours"]["checks"] == []


def test_the_keeper_says_how_far_to_look_back_for_a_species(own_room: Store) -> None:
    with own_room.write() as session:
        set_lag_days(session, "lacerta EXEMPLI", "illness", 10, KEEPER, instant(29))
        with pytest.raises(BadUse, match="look back 1 to 730 days"):
            set_lag_days(session, "x", "illness", 0, KEEPER, instant(29))
    assert told(own_room)["from"] == "2026-03-20T00:00:00.000Z"


def test_a_corrected_housing_is_told_with_both_versions(own_room: Store) -> None:
    with own_room.write() as session:
        first, second = amber(session).housings
        correct_housing(session, first.id, WELL, (instant(-40), instant(10, 12)), KEEPER, instant(31))
        correct_housing(session, second.id, COLD, (instant(10, 12), None), KEEPER, instant(31))
    report = told(own_room)
    assert "moved" not in part(report, "What changed shortly before")
    corrected = [one for one in report["corrections"] if one["kind"] == "housing"]
    cold = next(one for one in corrected if one["was"]["said"] == "in The cold one, from 22 March 2026 12:00")
    assert cold["is"]["said"] == "in The cold one, from 12 March 2026 12:00"
    assert "Housing corrected on 2 April 00:00 by the keeper" in part(report, "Put right afterwards")


def test_the_end_of_a_fact_as_time_goes_on_is_no_correction(own_room: Store) -> None:
    with own_room.write() as session:
        rows = [session.get_one(Housing, number) for number in (1, 3)]
        assert rows[1].replaces_id == rows[0].id
        assert not is_correction(rows[0], rows[1])
        entry = session.get_one(JournalEntry, 1)
        changed = correct_entry(session, 1, KEEPER, instant(20), at=entry.from_at, value=None, note="two crickets")
        assert is_correction(entry, changed)
        assert is_correction(changed, withdraw(session, changed, KEEPER, instant(20)))
    assert told(own_room)["corrections"][-1]["is"]["said"] == "taken back"


def test_a_corrected_placement_changes_verdicts_and_the_report_says_both(own_room: Store) -> None:
    assert told(own_room)["corrections"] == []
    with own_room.write() as session:
        # The spot's probe lay in the open air all along: so nothing is known of the spot.
        spot = session.get_one(Placement, 4)
        replace(session, spot, KEEPER, instant(31), zone="retreat")
        next_number(session, "facts")
    said = part(told(own_room), "Put right afterwards")
    assert "Place of a probe corrected on 2 April 00:00 by the keeper." in said
    assert "surface temperature (probe cold-spot) at retreat of The cold one" in said
    assert "As entered on 1 January 00:00 by a test: surface temperature (probe cold-spot) at basking" in said
    assert "Basking spot in its band of 25 March in The cold one: no data now, not met before" in said


def test_late_readings_join_their_days_and_verdicts_that_change_say_so(own_room: Store) -> None:
    with own_room.write() as session:
        gone = (table_of(Reading).c.channel_id == 4, table_of(Reading).c.at_ms.between(ms(24), ms(25) - 1))
        session.execute(sa.delete(table_of(Reading)).where(*gone))
    before = told(own_room)
    unknown = {d["date"]: c["verdict"] for d in before["days"] for c in d["checks"] if c["check"] == "hot-spot"}
    assert unknown["2026-03-26"] == "no data"
    put(own_room, [(4, at, 35.0, CLOCK) for at in range(ms(24), ms(25), 300_000)])
    after = told(own_room)
    said = part(after, "Put right afterwards")
    assert "Readings of surface temperature at the basking spot (probe cold-spot) came late" in said
    assert "Basking spot in its band of 26 March in The cold one: met now, no data before" in said
    assert after["data"]["readings"] == before["data"]["readings"] + 288
    assert after["data"]["fingerprint"] != before["data"]["fingerprint"]


def test_times_without_a_housing_and_in_two_places_are_said(own_room: Store) -> None:
    with own_room.write() as session:
        first, second = amber(session).housings
        correct_housing(session, first.id, WELL, (instant(-40), instant(18)), KEEPER, instant(31))
    said = part(told(own_room), "Where it was")
    assert "From 20 March 2026 00:00 to 22 March 2026 12:00 (2 days 12 h) nothing was entered" in said
    # A room file, or an older store, may hold what the pages refuse.
    enter(
        own_room,
        Housing(
            animal_id=1,
            enclosure_id=WELL,
            from_at=instant(25),
            until_at=instant(26),
            entered_by="x",
            entered_at=instant(26),
        ),
    )
    report = told(own_room)
    assert (
        "From 27 March 2026 00:00 to 28 March 2026 00:00 it is entered in The cold one and in The well one at once"
        in part(report, "Where it was")
    )
    assert {"well", "cold"} == {d["enclosure"] for d in report["days"] if d["date"] == "2026-03-27"}
    assert second.enclosure_id == COLD


def test_a_span_before_any_housing_or_any_reading_is_a_clear_page(room: Store) -> None:
    report = told(room, first="2025-11-01", last="2025-11-10")
    assert report["days"] == []
    assert (
        part(report, "Where it was")
        == "Where Amber lived in this time was not entered, so nothing can be said of its climate."
    )
    silent = told(room, first="2026-02-01", last="2026-02-10")
    assert "its first one was taken on" not in part(silent, "Where it was")
    assert "There is no reading of this enclosure in this span: its first one was taken on 2 March 2026." in part(
        silent, "What is not known"
    )
    with pytest.raises(NotFound, match="did you mean 'Amber'"):
        told(room, "Ambre")


def test_a_clutch_gathers_degree_days_and_is_expected_on_dates_with_their_basis(room: Store) -> None:
    report = told(room, "A1", now=instant(25), kind="clutch")
    # 25 °C above a base of 15 °C for 15 days; of 150 to 180 the first are reached.
    eggs = report["eggs"]
    assert eggs["degree_days"] == pytest.approx(150.0)
    assert (eggs["a_day"], eggs["hatch_from"], eggs["hatch_until"]) == (10.0, "2026-03-27", "2026-03-30")
    assert "150 to 180 degree-days are needed (made up for this test)" in part(report, "What became of it")
    assert [stay["zone"] for stay in report["subject"]["housings"]] == ["egg-chamber"]


def test_a_clutch_without_a_thermometer_says_so(own_room: Store) -> None:
    with own_room.write() as session:
        withdraw(session, session.get_one(Placement, 7), KEEPER, instant(31))
        next_number(session, "facts")
    report = told(own_room, "A1", kind="clutch")
    assert "Its temperature is not known: no probe measured it where it lay." in part(report, "What became of it")
    assert (report["eggs"]["degree_days"], report["eggs"]["hatch_from"]) == (None, None)
