import re
from datetime import timedelta
from pathlib import Path

import pytest
from sqlmodel import select

from dashboard.app import create_app
from dashboard.set_up import key_for
from service.model import Change, ProfileVersion, to_ms
from service.roomfile.reading import parse_room_file
from service.store.programme import targets_at
from service.store.readings import next_number
from tests.dashboard.glasshouse import NOW, Glasshouse, Visitor, bare_house
from tests.empty_store import sqlite_store

ENCLOSURE = {
    "name": "Day geckos 1", "room": "front-room", "rack": "A", "level": "2", "slot": "3", "profile": "phelsuma-grandis",
    "on": "07:30", "off": "19:30", "m0-at": "17:00", "m0-seconds": "45", "m1-at": "08:00",
}  # fmt: skip


@pytest.fixture
def bare(tmp_path: Path) -> Glasshouse:
    return bare_house(sqlite_store(tmp_path / "wardian.db"), tmp_path, NOW)


@pytest.fixture
def founder(bare: Glasshouse) -> Visitor:
    return Visitor(create_app(bare.parts))


def test_an_empty_site_leads_to_its_first_enclosure_and_the_file_says_the_same(
    founder: Visitor, bare: Glasshouse
) -> None:
    assert 'href="/set-up"' in founder.get("/").text
    assert "Where is it?" in founder.get("/set-up").text
    wrong = founder.post("/set-up/site", data={"name": "North house", "timezone": "Lisbon", "room": "Front room"})
    assert (wrong.status_code, "Europe/Lisbon" in wrong.text) == (422, True)
    site = {"name": "North house", "timezone": "Europe/Lisbon", "room": "Front room"}
    assert founder.post("/set-up/site", data=site).headers["location"] == "/set-up"
    assert "Set up the first enclosure" in founder.get("/set-up").text
    assert founder.post("/set-up/enclosure", data=ENCLOSURE).headers["location"] == "/set-up"
    page = founder.get("/set-up").text
    assert "Now a probe" in page
    assert ">Rack A</h3>" in page
    assert "level 2, slot 3 · no probe yet" in page
    assert "Day geckos 1" in founder.get("/").text
    assert "Phelsuma grandis" in founder.get("/enclosures/day-geckos-1").text
    file = parse_room_file(founder.get("/set-up/room.toml").text)
    (enclosure,) = file.enclosures
    assert (enclosure.id, enclosure.room, enclosure.profile) == ("day-geckos-1", "front-room", "phelsuma-grandis")
    assert [(f"{one.at:%H:%M}", one.seconds) for one in enclosure.misting] == [("08:00", 30), ("17:00", 45)]
    with bare.store.read() as session:
        assert {change.by for change in session.exec(select(Change))} == {"someone at this computer"}
    bare.store.close()


def test_what_is_changed_holds_from_now_on_and_the_rest_keeps_its_dates(founder: Visitor, bare: Glasshouse) -> None:
    founder.post("/set-up/site", data={"name": "North house", "timezone": "Europe/Lisbon", "room": "Front room"})
    founder.post("/set-up/enclosure", data=ENCLOSURE)
    bare.clock[0] += timedelta(days=10)
    changed = ENCLOSURE | {"off": "20:30"}
    answer = founder.post("/set-up/enclosures/day-geckos-1", data=changed)
    assert answer.headers["location"] == "/enclosures/day-geckos-1"
    with bare.store.read() as session:
        enclosure = bare.parts.facts(session).by_key["day-geckos-1"]
    assert (f"{enclosure.lights[0].off:%H:%M}", enclosure.lights[0].end_ms) == ("19:30", to_ms(bare.clock[0]))
    assert f"{enclosure.lights[1].off:%H:%M}" == "20:30"
    assert len(enclosure.misting) == len(enclosure.profiles) == 1
    founder.post("/set-up/enclosures/day-geckos-1", data=changed | {"on": "", "off": "", "profile": ""})
    with bare.store.read() as session:
        enclosure = bare.parts.facts(session).by_key["day-geckos-1"]
    assert enclosure.lights_at(to_ms(bare.clock[0])) is None
    assert enclosure.profile_at(to_ms(bare.clock[0])) is None
    bare.store.close()


@pytest.mark.parametrize(
    ("sent", "said"),
    [
        ({"name": " "}, "an enclosure has a name"),
        ({"level": ""}, "fill in all three, or none"),
        ({"level": "low"}, "is no whole number"),
        ({"on": "7.30"}, "is no time of day"),
        ({"room": "back"}, "room &#34;back&#34; is unknown"),
        ({"profile": "dragon"}, "profile &#34;dragon&#34; is unknown"),
    ],
)
def test_what_cannot_be_is_told_and_stays_in_the_form(
    sent: dict[str, str], said: str, founder: Visitor, bare: Glasshouse
) -> None:
    founder.post("/set-up/site", data={"name": "North house", "timezone": "Europe/Lisbon", "room": "Front room"})
    answer = founder.post("/set-up/enclosure", data=ENCLOSURE | sent)
    assert answer.status_code == 422
    assert said in answer.text
    assert 'name="m0-at" value="17:00"' in answer.text
    bare.store.close()


def test_rooms_are_added_renamed_and_an_enclosure_is_taken_out_of_use_by_its_name(house: Glasshouse) -> None:
    keeper = Visitor(create_app(house.parts))
    _with_notes(house)
    assert keeper.post("/set-up/rooms", data={"room": "Räum 2"}).status_code == 303
    keeper.post("/set-up/rooms", data={"room": "Warm room", "key": "raum-2"})
    page = keeper.get("/set-up").text
    assert re.findall(r"<h2 id=\"room-\d\">([^<]+)<", page) == ["Front room", "Warm room"]
    assert keeper.post("/set-up/rooms/raum-2/remove").status_code == 303
    assert keeper.post("/set-up/enclosures/gap/remove", data={"confirm": "gap"}).status_code == 422
    assert keeper.post("/set-up/enclosures/gap/remove", data={"confirm": "Day geckos 3"}).status_code == 303
    assert "Day geckos 3" not in keeper.get("/").text
    with house.store.read() as session:
        facts = house.parts.facts(session)
    assert "gap" in facts.retired
    placed = facts.channels[house.channels["gap/air_temperature"]].placements
    assert [place.end_ms for place in placed] == [to_ms(NOW)]


def test_one_target_is_set_differently_for_a_while_and_given_back(house: Glasshouse) -> None:
    keeper = Visitor(create_app(house.parts))
    _with_notes(house)
    sent = {"check": "night-floor", "low": "22,5", "until": "2026-03-20", "reason": "gravid"}
    assert keeper.post("/set-up/enclosures/steady/overrides", data=sent).status_code == 303
    keeper.post("/set-up/enclosures/steady/overrides", data=sent | {"low": "23"})
    page = keeper.get("/set-up/enclosures/steady").text
    assert "at least 23.0\N{NO-BREAK SPACE}°C, from 14:00, until 21 Mar 00:00: gravid" in page
    with house.store.read() as session:
        facts = house.parts.facts(session)
        assert targets_at(facts, facts.by_key["steady"], to_ms(NOW))["night-floor"].low == 23.0
    misted = {"check": "misting-cycles", "share": "90", "reason": "a nozzle is away"}
    assert 'name="share"' in page
    assert keeper.post("/set-up/enclosures/steady/overrides", data=misted).status_code == 303
    assert "90 % of the cycles, from 14:00: a nozzle is away" in keeper.get("/set-up/enclosures/steady").text
    file = parse_room_file(keeper.get("/set-up/room.toml").text)
    found = [(one.check, one.share) for spec in file.enclosures for one in spec.overrides]
    assert found == [("misting-cycles", 0.9), ("night-floor", None)]
    assert keeper.post("/set-up/enclosures/steady/overrides/night-floor/end").status_code == 303
    with house.store.read() as session:
        facts = house.parts.facts(session)
        assert targets_at(facts, facts.by_key["steady"], to_ms(NOW) + 1)["night-floor"].low == 20.0
    for wrong in (
        {"low": "warm"},
        {"low": ""},
        {"reason": ""},
        {"until": "2026-01-01"},
        {"check": "none"},
        {"share": "50"},
    ):
        assert keeper.post("/set-up/enclosures/steady/overrides", data=sent | wrong).status_code == 422
    assert keeper.post("/set-up/enclosures/steady/overrides/night-floor/end").status_code == 422


def _with_notes(house: Glasshouse) -> None:
    with house.store.write() as session:
        version = session.get_one(ProfileVersion, 1)
        version.body = version.body | {"notes": ""}
        version.body["target"] = [{"low": None, "high": None, "share": None} | t for t in version.body["target"]]
        session.add(version)
        next_number(session, "facts")


def test_keys_are_made_of_names() -> None:
    assert key_for("Day geckos 1", set()) == "day-geckos-1"
    assert key_for("Über-Größe!", {"uber-groe"}) == "uber-groe-2"
    assert key_for("蛙", set()) == "enclosure"
    assert len(key_for("x" * 300, set())) <= 64
