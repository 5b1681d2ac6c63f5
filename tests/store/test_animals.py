"""Animals, the journal and clutches are kept alike on both databases."""

from datetime import date, timedelta

import pytest

from service.errors import BadUse, Refused
from service.model import Housing, JournalEntry, to_ms
from service.store.animals import (
    add_animal,
    add_past_housing,
    animal_named,
    correct_housing,
    house,
    leave,
    living_in,
    load_animals,
    neighbours,
)
from service.store.clutches import ClutchTerms, NewClutch, add_clutch, clutch_named, end_clutch, move_clutch
from service.store.dated import counting, versions
from service.store.engine import Store
from service.store.journal import About, NewEntry, add_entry, correct_entry, entries_within, withdraw_entry
from service.store.lag_windows import USUAL_DAYS, lag_days, set_lag_days
from service.store.verdict_changes import changes_within, note_changes
from tests.builders import NOON, a_site, an_enclosure

DAY = timedelta(days=1)
BY = "a keeper"


@pytest.fixture
def room(store: Store) -> Store:
    with store.write() as session:
        a_site(session)
        for key in ("first", "second"):
            an_enclosure(session, key)
        for name in ("Amber", "Basil"):
            animal = add_animal(session, name, "Lacerta exempli", 1, BY, NOON)
            house(session, animal.id or 0, 1, NOON - 10 * DAY, BY, NOON)
    return store


def test_a_life_is_entered_moved_corrected_and_ended(room: Store) -> None:
    with room.write() as session:
        house(session, 1, 2, NOON - 4 * DAY, BY, NOON)
        with pytest.raises(Refused, match="in two enclosures at one time"):
            add_past_housing(session, 1, 1, (NOON - 12 * DAY, NOON - 9 * DAY), BY, NOON)
        add_past_housing(session, 1, 2, (NOON - 20 * DAY, NOON - 12 * DAY), BY, NOON)
        last = animal_named(session, "Amber").housings[-1]
        correct_housing(session, last.id, 2, (NOON - 3 * DAY, None), BY, NOON)
        with pytest.raises(BadUse, match="ends after it begins"):
            correct_housing(session, animal_named(session, "Basil").housings[0].id, 1, (NOON, NOON), BY, NOON)
        leave(session, 1, NOON, BY, NOON)
    with room.read() as session:
        rows = versions(session, Housing, animal_id=1)
        lived = [(row.enclosure_id, row.from_at - NOON, row.until_at and row.until_at - NOON) for row in counting(rows)]
        animals = load_animals(session)
    assert lived == [(2, -20 * DAY, -12 * DAY), (1, -10 * DAY, -4 * DAY), (2, -3 * DAY, 0 * DAY)]
    assert len(rows) > len(lived)
    assert [one.name for one in living_in(animals, 1, to_ms(NOON - 8 * DAY))] == ["Amber", "Basil"]
    assert [one.name for one in neighbours(animals, animals[0])] == ["Basil"]


def test_entries_count_as_they_were_corrected_and_none_is_lost(room: Store) -> None:
    with room.write() as session:
        first = add_entry(session, NewEntry("fed", NOON - DAY, animal_id=1), BY, NOON)
        add_entry(session, NewEntry("lamp-changed", NOON, enclosure_id=2, note="琥珀"), BY, NOON)
        correct_entry(session, first.id or 0, BY, NOON, at=NOON - 2 * DAY, value=None, note="two crickets")
        gone = add_entry(session, NewEntry("death", NOON, animal_id=2), BY, NOON)
        withdraw_entry(session, gone.id or 0, BY, NOON)
    with room.read() as session:
        found = entries_within(session, NOON - 9 * DAY, NOON + DAY)
        about = entries_within(session, NOON - 9 * DAY, NOON + DAY, About(animal_id=1))
        stored = versions(session, JournalEntry, animal_id=1)
        assert animal_named(session, "Basil").retired_ms is None
    assert [(entry.kind, entry.note) for entry in found] == [("lamp-changed", "琥珀"), ("fed", "two crickets")]
    assert (len(about), len(stored)) == (1, 2)


def test_a_clutch_lies_moves_and_hatches(room: Store) -> None:
    with room.write() as session:
        terms = ClutchTerms(8, 15.0, 150.0, 180.0, "made up")
        add_clutch(session, NewClutch("A1", "Lacerta exempli", NOON - 9 * DAY, terms, 1, mother_id=1), BY, NOON)
        move_clutch(session, 1, 2, "ambient", NOON - 5 * DAY, BY, NOON)
        end_clutch(session, clutch_named(session, "A1"), "hatched", 7, NOON, BY, NOON)
    with room.read() as session:
        clutch = clutch_named(session, " A1 ")
    assert (clutch.outcome, clutch.hatched, clutch.terms.eggs, clutch.ended_ms) == ("hatched", 7, 8, to_ms(NOON))
    assert [(p.enclosure_id, p.zone, p.end_ms - to_ms(NOON)) for p in clutch.places] == [
        (1, "egg-chamber", -5 * 86_400_000), (2, "ambient", 0),
    ]  # fmt: skip


def test_lag_windows_and_changed_verdicts_are_remembered(room: Store) -> None:
    with room.write() as session:
        assert lag_days(session, "Lacerta exempli", "illness") == USUAL_DAYS
        for days in (30, 60):
            set_lag_days(session, "Lacerta exempli", "illness", days, BY, NOON)
        assert lag_days(session, "LACERTA exempli", "illness") == 60
        note_changes(session, 1, [(date(2026, 3, 1), "hot-spot", "no data", "met", "late")], to_ms(NOON))
    with room.read() as session:
        (change,) = changes_within(session, 1, date(2026, 3, 1), date(2026, 3, 2))
    assert (change.check, change.before, change.after, change.noted_at) == ("hot-spot", "no data", "met", NOON)
