import re
from datetime import timedelta

import pytest
from sqlmodel import select

from dashboard.app import create_app
from dashboard.figures.palette import PALETTES
from dashboard.figures.timeline import timeline_figure
from dashboard.labels import PER_SHEET, Label, broken, sheets
from dashboard.marks import marks_in
from dashboard.past import timeline_of
from service.model import Equipment, JournalEntry, to_ms
from service.store.animals import add_animal
from service.store.animals import house as move_in
from service.store.care import NewDone, add_done
from tests.dashboard.glasshouse import NOW, Glasshouse, Visitor

WRITTEN = "2026-03-10T13:20:00.123Z"


@pytest.fixture
def keeper(house: Glasshouse) -> Visitor:
    return Visitor(create_app(house.parts))


def test_a_note_is_two_taps_and_is_kept_once_however_often_it_is_sent(keeper: Visitor, house: Glasshouse) -> None:
    with house.store.write() as session:
        animal = add_animal(session, "Ana", "Lacerta exempli", 1, "a test", NOW - timedelta(days=9))
        move_in(
            session,
            animal.id or 0,
            house.parts.facts(session).by_key["steady"].id,
            NOW - timedelta(days=9),
            "a test",
            NOW,
        )
    page = keeper.get("/enclosures/steady").text
    assert "<option selected>Ana</option>" in page
    assert 'name="kind" value="hand-misted">misted by hand<' in page
    note = {"kind": "fed", "animal": "Ana", "at": WRITTEN, "note": "two crickets", "sent_key": "x-1"}
    for _ in range(3):
        assert keeper.post("/enclosures/steady/notes", data=note).headers["location"] == "/enclosures/steady"
    keeper.post("/enclosures/steady/notes", data=note | {"at": "2026-03-10T13:20:00.124Z"})
    keeper.post("/enclosures/steady/notes", data={"kind": "hand-misted"})
    with house.store.read() as session:
        entries = session.exec(select(JournalEntry).order_by("id")).all()
    assert [(one.kind, one.animal_id) for one in entries] == [("fed", 1), ("fed", 1), ("hand-misted", None)]
    assert (entries[0].note, entries[0].entered_by) == ("two crickets", "someone at this computer")
    for wrong in ({"kind": "eaten"}, {"kind": "fed", "at": "yesterday"}, {"kind": "fed", "at": "2026-03-10T15:00:00Z"}):
        assert keeper.post("/enclosures/steady/notes", data=wrong).status_code == 422
    assert keeper.post("/enclosures/none/notes", data={"kind": "fed"}).status_code == 404
    assert keeper.post("/enclosures/steady/notes", data={"kind": "fed", "animal": "Zoe"}).status_code == 404


def test_what_people_did_is_marked_on_the_charts(keeper: Visitor, house: Glasshouse) -> None:
    start, end = to_ms(NOW) - 86_400_000, to_ms(NOW) + 1
    with house.store.write() as session:
        facts = house.parts.facts(session)
        place = facts.by_key["steady"].id
        animal = add_animal(session, "Ana", "Lacerta exempli", 1, "a test", NOW - timedelta(hours=5))
        move_in(session, animal.id or 0, place, NOW - timedelta(hours=5), "a test", NOW)
        installed = {"from_at": NOW - timedelta(hours=4), "entered_by": "Kim", "entered_at": NOW}
        session.add(Equipment(enclosure_id=place, kind="UV lamp", **installed))
        add_done(session, NewDone("uv-index", NOW - timedelta(hours=1), place, 2.0, "basking"), "Kim", NOW)
    keeper.post("/enclosures/steady/notes", data={"kind": "shed", "animal": "Ana", "at": WRITTEN})
    keeper.post("/enclosures/steady/notes", data={"kind": "lamp-changed", "at": WRITTEN, "note": "the left one"})
    with house.store.read() as session:
        enclosure = house.parts.facts(session).by_key["steady"]
        marks = marks_in(session, enclosure, start, end)
        timeline = timeline_of(session, house.parts.facts(session), enclosure, start, end, to_ms(NOW))
    assert [(mark.kind, mark.sentence) for mark in marks] == [
        ("animal", "Ana came in"),
        ("equipment", "New UV lamp (Kim)"),
        ("care", "UV index 2.0 measured (Kim)"),
        ("note", "Ana shed (someone at this computer)"),
        ("note", "Lamp changed: the left one (someone at this computer)"),
    ]
    figure = timeline_figure(timeline, PALETTES["light"])
    drawn = {trace["name"]: len(trace["x"]) for trace in figure.to_dict()["data"]}
    assert (drawn["noted"], drawn["animals"], drawn["care"], drawn["new equipment"]) == (2, 1, 1, 1)
    assert sum(shape["name"] == "mark" for shape in figure.to_dict()["layout"]["shapes"]) == 5
    with house.store.read() as session:
        assert marks_in(session, enclosure, start - 86_400_000, start) == []


def test_labels_are_a_sheet_of_a4_with_a_code_for_each_door(client: Visitor) -> None:
    page = client.get("/labels").text
    sheet = re.search(r'<svg [^>]*class="sheet" width="210mm" height="297mm"', page)
    assert sheet
    assert page.count("<g transform") == 8 * 2
    assert "&lt;script&gt;" in page
    assert "http://wardian.test/d/…" in page
    alone = client.get("/labels/1.svg?enclosures=hot")
    assert alone.headers["content-type"] == "image/svg+xml"
    assert re.findall(r"<text[^>]*>([^<]+)<", alone.text)[:2] == ["Day geckos", "2"]
    assert "<script" not in alone.text
    assert client.get("/labels/2.svg").status_code == 422
    assert client.get("/d/hot").headers["location"] == "/enclosures/hot"


def test_more_labels_take_another_sheet_and_long_names_are_broken() -> None:
    label = Label("Day geckos 1", "rack A", "", "http://wardian.test/d/a")
    assert len(sheets([label] * (PER_SHEET + 1))) == 2
    assert sheets([]) == []
    assert broken("Madagascan giant day geckos 12", 17) == ["Madagascan giant", "day geckos 12"]
    assert broken("x" * 40, 17) == ["x" * 17, "x" * 17, "x" * 6]
