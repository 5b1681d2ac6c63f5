import math
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest

from dashboard.racks import natural, pages_of, racks_of
from dashboard.words import ago, clock, exact, limits, measured, span
from service.store.facts import EnclosureFact
from tests.dashboard.glasshouse import NOW

LISBON = ZoneInfo("Europe/Lisbon")


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        (41.24, "°C", "41.2 °C"), (-0.04, "°C", "0.0 °C"), (-3.0, "°C", "−3.0 °C"), (64.6, "%RH", "65 %RH"),
        (math.nan, "°C", "– °C"), (None, "%RH", "– %RH"), (2.35, "UV index", "2.4 UV index"), (1250.0, "lx", "1250 lx"),
    ],
)  # fmt: skip
def test_numbers_have_the_decimals_of_their_unit(value: float | None, unit: str, said: str) -> None:
    assert measured(value, unit).replace("\N{NO-BREAK SPACE}", " ") == said


def test_limits_are_said_by_their_ends() -> None:
    said = [limits(*ends, "°C").replace("\N{NO-BREAK SPACE}", " ") for ends in ((31, 34), (None, 38), (20, math.inf))]
    assert said == ["31.0–34.0 °C", "at most 38.0 °C", "at least 20.0 °C"]
    assert limits(None, None, "°C") == ""


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (3, "3 s"),
        (59.4, "59 s"),
        (60, "1 min"),
        (3_599, "59 min"),
        (17_760, "4 h 56 min"),
        (7_200, "2 h"),
        (260_000, "3 d"),
    ],
)
def test_lengths_of_time_are_said_by_their_largest_parts(seconds: float, said: str) -> None:
    assert span(seconds).replace("\N{NO-BREAK SPACE}", " ") == said


def test_times_are_local_and_name_their_zone() -> None:
    summer = NOW.replace(month=7)
    assert clock(summer, LISBON, summer) == "15:00"
    assert clock(summer, LISBON, summer + timedelta(days=1)) == "10 Jul 15:00"
    assert exact(summer, LISBON) == "10 Jul 2026 15:00:00 WEST"
    assert ago(NOW - timedelta(minutes=3), NOW).replace("\N{NO-BREAK SPACE}", " ") == "3 min ago"


def an_enclosure(number: int, rack: str | None, level: int | None = None, slot: int | None = None) -> EnclosureFact:
    return EnclosureFact(number, f"e{number}", f"E {number}", "front", rack, level, slot, (), (), (), (), ())


def many(racks: int, levels: int, slots: int) -> list[EnclosureFact]:
    places = [(r, lv, sl) for r in range(racks) for lv in range(levels) for sl in range(slots)]
    return [an_enclosure(n, chr(65 + r), lv + 1, sl + 1) for n, (r, lv, sl) in enumerate(places)]


def test_the_highest_level_is_the_first_row_and_empty_slots_stay_empty() -> None:
    (rack,) = racks_of([an_enclosure(1, "A", 3, 2), an_enclosure(2, "A", 1, 4)])
    assert (rack.columns, rack.rows) == (4, 3)
    assert [(cell.column, cell.row) for cell in rack.cells] == [(2, 1), (4, 3)]


def test_two_enclosures_in_one_place_are_both_shown() -> None:
    racks = racks_of([an_enclosure(1, "A", 1, 1), an_enclosure(2, "A", 1, 1)])
    assert [[cell.enclosure.id for cell in rack.cells] for rack in racks] == [[1], [2]]


@pytest.mark.parametrize("places", [[(900, 1), (1, 900)], [(-5, 0), (40, 40)]])
def test_a_rack_of_any_size_shows_all_its_enclosures_once(places: list[tuple[int, int]]) -> None:
    (rack,) = racks_of([an_enclosure(n, "A", level, slot) for n, (level, slot) in enumerate(places)])
    assert len(rack.cells) == len(places)
    assert not rack.is_placed


@pytest.mark.parametrize("size", [(3, 4, 2), (5, 4, 3), (10, 5, 4), (1, 1, 1)])
def test_every_enclosure_is_on_one_page_and_pages_hold_whole_racks(size: tuple[int, int, int]) -> None:
    room = many(*size)
    pages = pages_of(racks_of(room))
    shown = [cell.enclosure.id for page in pages for line in page for rack in line.racks for cell in rack.cells]
    assert sorted(shown) == [enclosure.id for enclosure in room]
    names = [rack.name for page in pages for line in page for rack in line.racks]
    assert len(names) == len(set(names)) == size[0]
    assert all(sum(len(rack.cells) for line in page for rack in line.racks) <= 60 for page in pages)


def test_racks_are_in_the_order_a_person_counts() -> None:
    assert sorted(["B10", "b2", "A", "B1"], key=natural) == ["A", "B1", "b2", "B10"]
