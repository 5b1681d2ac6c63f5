from datetime import timedelta

import pytest
from roomfile_builders import MORE, NOW, ROOM, apply, changed

from service.errors import RoomFileInvalid
from service.roomfile.reading import parse_room_file
from service.roomfile.report import tell_plan, tell_problems, tell_sound
from service.store.engine import Store


def test_a_plan_is_told_thing_by_thing_and_counted(store: Store) -> None:
    apply(store, ROOM)
    text = changed(ROOM, ('off = "19:30"', 'off = "20:30"'), ("every = 60", "every = 30"))
    plan = apply(store, text, NOW + timedelta(days=1))
    assert tell_plan(plan, "room.toml") == (
        "room.toml will make 2 changes:\n"
        "\n"
        '  Probe "a3-top": seconds between readings changes from 60 to 30.\n'
        "\n"
        '  Enclosure "rack-a-3": light schedule changes from 07:30 to 19:30 to 07:30 to 20:30, from now.\n'
        "\n"
        "2 changed."
    )
    assert tell_plan(plan, "room.toml", done=True).startswith("room.toml has made 2 changes:")


def test_nothing_to_do_is_said(store: Store) -> None:
    apply(store, ROOM)
    assert tell_plan(apply(store, ROOM), "room.toml") == (
        "room.toml changes nothing: the store is already as the file says."
    )


def test_a_first_plan_tells_everything_but_the_route(store: Store) -> None:
    told = tell_plan(apply(store, ROOM + MORE), "room.toml")
    assert "s3cret" not in told
    assert 'Contact "On call" is added (least priority "high", hours "08:00-22:00").' in told
    assert "22 added." in told


def test_problems_are_listed_and_counted() -> None:
    with pytest.raises(RoomFileInvalid) as refused:
        parse_room_file(changed(ROOM, ("every = 60", "every = 0"), ('zone = "basking"', 'zone = "baskin"')))
    assert tell_problems(refused.value.problems, "room.toml").splitlines() == [
        'room.toml:26: probe "a3-top": "every" is 0, expected above 0, at most 86400',
        'room.toml:33: probe "a3-top", channel "air_temperature": zone "baskin" is unknown; did you mean "basking"?',
        "",
        "room.toml has 2 problems; nothing was changed.",
    ]
    assert tell_sound("room.toml") == "room.toml has no problems."
