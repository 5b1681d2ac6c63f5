from datetime import timedelta
from typing import Any

import pytest
from sqlmodel import select

from dashboard.care import uv_words
from service.model import CareDone, Change, Equipment
from service.roomfile.export import export_room_file
from tests.dashboard.glasshouse import NOW, Glasshouse, Visitor
from tests.dashboard.test_profiles import keeper

__all__ = ["keeper"]
LATER = timedelta(days=8)


@pytest.fixture
def caring(keeper: Visitor, past_house: Glasshouse) -> tuple[Visitor, Glasshouse]:
    return keeper, past_house


def due_of(keeper: Visitor) -> list[dict[str, Any]]:
    """Return what is due but for reference checks."""
    return [one for one in keeper.get("/api/v1/care").json()["due"] if one["kind"] != "reference check"]


def test_a_task_comes_due_is_closed_and_comes_again(caring: tuple[Visitor, Glasshouse]) -> None:
    keeper, house = caring
    assert "Nothing is due within two weeks" in keeper.get("/care").text
    sent = {"what": "change the  water", "every": "7", "enclosure": "new"}
    assert keeper.post("/care/tasks", data=sent).headers["location"] == "/care"
    assert keeper.post("/care/tasks", data=sent).status_code == 409
    page = keeper.get("/care").text
    assert "Change the water" in page
    assert "due today" in page
    done = keeper.post("/care/tasks/1/done", data={"note": "half of it", "sent_key": "phone-1"})
    assert done.status_code == 303
    # The phone was not told that it had arrived, and sends it again.
    again = keeper.post("/api/v1/care/tasks/1/done", json={"note": "half of it", "sent_key": "phone-1"})
    assert again.json()["number"] == 1
    with house.store.read() as session:
        assert session.get_one(CareDone, 1).by == "someone at this computer"
        assert session.get(CareDone, 2) is None
    (due,) = due_of(keeper)
    assert (due["state"], due["due_at"]) == ("soon", "2026-04-09T12:00:00.000Z")
    house.clock[0] += LATER
    (due,) = due_of(keeper)
    assert due["state"] == "overdue"
    assert "overdue by 1 day" in keeper.get("/care").text
    assert keeper.post("/care/tasks/1/retire").status_code == 303
    assert due_of(keeper) == []
    assert keeper.post("/care/tasks/1/done").status_code == 404


def test_a_lamp_ages_is_replaced_and_stands_in_the_room_file(caring: tuple[Visitor, Glasshouse]) -> None:
    keeper, house = caring
    lamp = {"enclosure": "new", "kind": "UV lamp", "months": "6", "installed": "2025-09-01"}
    assert keeper.post("/care/equipment", data=lamp).status_code == 303
    (due,) = due_of(keeper)
    assert (due["kind"], due["what"], due["state"]) == ("equipment", "replace the UV lamp", "overdue")
    page = keeper.get("/care").text
    assert "in use 7 months, since 1 Sep 2025 · replace after 6 months" in page
    assert "117 per cent of its life" in page
    keeper.post("/care/equipment", data={"enclosure": "new", "kind": "uvb-lamp", "months": "6"})
    page = keeper.get("/care").text
    assert "UVB lamp" in page
    assert ">uvb" not in page.lower().replace(">uvb lamp", "")
    assert "In use: 2, in 1 enclosure<" in page
    keeper.post("/care/equipment/take-away", data={"enclosure": "new", "kind": "uvb-lamp"})
    keeper.post("/care/equipment", data={"enclosure": "new", "kind": "UV lamp", "months": "6"})
    with house.store.read() as session:
        written = export_room_file(session, house.clock[0])
        rows = [(row.kind, row.from_at, row.until_at) for row in session.exec(select(Equipment))]
        changes = [change.subject for change in session.exec(select(Change))]
    assert 'kind = "UV lamp"' in written
    assert "installed = 2026-04-02" in written
    assert len(rows) >= 2
    assert 'enclosure "new"' in changes
    assert [one["state"] for one in due_of(keeper)] == ["later"]
    keeper.post("/care/equipment/take-away", data={"enclosure": "new", "kind": "UV lamp"})
    assert keeper.get("/api/v1/care").json()["equipment"] == []
    gone = keeper.post("/care/equipment/take-away", data={"enclosure": "new", "kind": "UV lamp"})
    assert (gone.status_code, "any more" in gone.text) == (422, True)


def test_a_measured_uv_index_is_told_with_its_published_zone(caring: tuple[Visitor, Glasshouse]) -> None:
    keeper, _ = caring
    assert keeper.post("/care/uv", data={"enclosure": "long", "uv_index": "1,9", "zone": "basking"}).status_code == 303
    (uv,) = keeper.get("/api/v1/care").json()["uv"]
    assert (uv["uv_index"], uv["uv_zone"], uv["uv_zones_by_maximum"]) == (1.9, 3, [2])
    assert uv["source"].startswith("Ferguson et al. 2010")
    page = keeper.get("/care").text
    assert "as a mean, zone 3 (open or partial sun basker, thermoregulator); as the most at the lamp, zone 2" in page
    assert uv_words(12) == "as a mean above every zone: too much; as the most at the lamp, outside every zone"
    for wrong in ("40", "warm", ""):
        assert keeper.post("/care/uv", data={"enclosure": "long", "uv_index": wrong}).status_code == 422


def test_a_reference_check_comes_due_a_year_after_the_last(caring: tuple[Visitor, Glasshouse]) -> None:
    keeper, house = caring
    assert "check long-rel against a reference" in keeper.get("/care").text.lower()
    house.clock[0] = NOW + timedelta(days=372)
    due = {one["probe"]: one["state"] for one in keeper.get("/api/v1/care").json()["due"]}
    assert due == {"long-rel": "soon"}
