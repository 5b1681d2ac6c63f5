"""A photoperiod that follows the sun: written in a room file, applied, in force by the date, and exported."""

from datetime import date

import pytest
from roomfile_builders import NOW, ROOM, apply, changed

from service.climate.sun import day_length
from service.errors import RoomFileInvalid
from service.roomfile.export import export_room_file
from service.roomfile.reading import parse_room_file
from service.store.engine import Store
from service.store.facts import load_facts
from service.store.programme import Programme

SWAP = ('check = "night-drop"\nlow = 2.0\nhigh = 5.0\n', 'check = "photoperiod"\nlatitude = -19\nhigh = 13\n')


def problems_of(text: str) -> list[str]:
    with pytest.raises(RoomFileInvalid) as caught:
        parse_room_file(text)
    return caught.value.problems


def test_the_hours_asked_for_are_those_of_the_sun_on_the_date(store: Store) -> None:
    apply(store, changed(ROOM, SWAP))
    with store.read() as session:
        facts = load_facts(session)
    programme = Programme(facts, facts.by_key["rack-a-3"])
    winter, summer = (programme.day(date(2026, month, 21)).targets["photoperiod"] for month in (6, 12))
    assert (winter.low, winter.high) == (day_length(-19, date(2026, 6, 21)),) * 2
    assert (summer.low, summer.high) == (13, 13)
    with store.read() as session:
        text = export_room_file(session, NOW)
    assert "latitude = -19" in text
    assert not apply(store, text)


@pytest.mark.parametrize(
    ("latitude", "said"),
    [("70", '"latitude" is 70, expected -66 to 66'), ('"south"', '"latitude" is'), ("true", '"latitude" is')],
)
def test_a_latitude_that_gives_no_rhythm_is_refused(latitude: str, said: str) -> None:
    swap = (SWAP[0], SWAP[1].replace("-19", latitude))
    assert [problem for problem in problems_of(changed(ROOM, swap)) if said in problem]


def test_only_a_photoperiod_follows_the_sun() -> None:
    found = problems_of(changed(ROOM, ("low = 2.0", "latitude = 40\nlow = 2.0")))
    assert ['only check "photoperiod" follows the sun' in problem for problem in found] == [True]
