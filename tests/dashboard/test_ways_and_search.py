import re
from pathlib import Path

import pytest

from dashboard.app import create_app
from service.api.finding import find, folded, rank
from service.roomfile.applying import apply_room_file
from service.roomfile.reading import parse_room_file
from service.store.facts import load_facts
from tests.dashboard.glasshouse import NOW, Glasshouse, Visitor
from tests.empty_store import sqlite_store

ANIMALS = """
[site]
name = "North house"
timezone = "Europe/Lisbon"
[[room]]
id = "front"
[[enclosure]]
id = "a-1"
name = "Day geckos 1"
room = "front"
place = { rack = "A", level = 1, slot = 2 }
[[animal]]
name = "Zoë"
species = "Phelsuma grandis"
[[animal.housing]]
enclosure = "a-1"
from = 2026-01-01T00:00:00Z
"""


@pytest.mark.parametrize(
    ("query", "name", "key", "expected"),
    [
        ("day geckos 2", "Day geckos 2", "rack-a-2", 0),
        ("RACK-A", "Day geckos 2", "rack-a-2", 1),
        ("geck 2", "Day geckos 2", "rack-a-2", 2),
        ("dg2", "Day geckos 2", "rack-a-2", 3),
        ("ecko", "Day geckos 2", "rack-a-2", 4),
        ("zoe", "Zoë", "Zoë", 0),
        ("frog", "Day geckos 2", "rack-a-2", 9),
        ("  ", "Day geckos 2", "rack-a-2", 9),
    ],
)
def test_a_few_letters_are_enough(query: str, name: str, key: str, expected: int) -> None:
    assert rank(query, name, key) == expected


def test_letters_are_compared_without_case_and_accents() -> None:
    assert folded("  Übergröße  ÉTÉ ") == "ubergrosse ete"


def test_an_animal_is_found_with_where_it_lives_now(tmp_path: Path) -> None:
    store = sqlite_store(tmp_path / "w.db")
    apply_room_file(store, parse_room_file(ANIMALS), "a test", NOW)
    with store.read() as session:
        found = find(session, load_facts(session), "zoe", NOW, 5)
        assert [(one.kind, one.about, one.address) for one in found] == [
            ("animal", "Phelsuma grandis, Day geckos 1", "/animals/Zo%C3%AB")
        ]
        assert find(session, load_facts(session), "rack a level 1", NOW, 5)[0].key == "a-1"
    store.close()


def test_one_hit_leads_there_and_several_are_listed(client: Visitor) -> None:
    answer = client.get("/search?q=quarantine")
    assert (answer.status_code, answer.headers["location"]) == (303, "/enclosures/loose")
    listed = re.findall(r'<li><a href="(/enclosures/[^"]+)">', client.get("/search?q=day+geck").text)
    assert set(listed) == {"/enclosures/steady", "/enclosures/hot", "/enclosures/gap"}
    assert "Nothing here has these letters" in client.get("/search?q=xyzzy").text
    hostile = client.get("/search?q=%3Cscript%3E").text
    assert "<script>alert" not in hostile


def test_each_page_marks_the_way_it_lies_on(client: Visitor) -> None:
    for path, name in (("/", "Room"), ("/alarms", "Alarms"), ("/enclosures/hot", "Room")):
        page = client.get(path).text
        assert re.findall(r'aria-current="page">([^<]+)<', page) == [name]
    assert re.findall(r'aria-current="page">', client.get("/about").text) == []


def test_degrees_are_the_browsers_until_a_person_chooses(filled: Glasshouse) -> None:
    page = Visitor(create_app(filled.parts)).get("/about").text
    assert 'value="C" class="quiet" aria-pressed="true"' in page
