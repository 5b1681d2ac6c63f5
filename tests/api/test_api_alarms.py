import httpx
import pytest
from api_room import House

URL = "/api/v1/alarms"


@pytest.fixture
def raised(house: House) -> list[int]:
    room = house.room
    first = room.alarm("rack-a-1", "basking-overheat", value=41.2, limit=40.0, unit="Cel")
    room.move_alarm(first, "acknowledged")
    second = room.alarm("rack-a-2", "probe-silent", priority="medium", limit=None)
    third = room.alarm("rack-a-2", "calibration-due", priority="low", place="a2-spot/surface_temperature")
    room.move_alarm(third, "returned, unacknowledged")
    return [first, second, third]


async def listed(client: httpx.AsyncClient, **asked: str) -> list[int]:
    return [alarm["id"] for alarm in (await client.get(URL, params=asked)).json()["alarms"]]


async def test_alarms_are_narrowed_by_state_priority_enclosure_and_standing(
    raised: list[int], client: httpx.AsyncClient
) -> None:
    first, second, third = raised
    assert await listed(client) == [third, second, first]
    assert await listed(client, state="acknowledged") == [first]
    assert await listed(client, state="returned, unacknowledged") == [third]
    assert await listed(client, priority="medium") == [second]
    assert await listed(client, enclosure="rack-a-2") == [third, second]
    assert await listed(client, standing="true") == [second, first]
    assert await listed(client, standing="false") == [third]


async def test_pages_of_alarms_hold_each_alarm_once_though_new_ones_come(
    house: House, raised: list[int], client: httpx.AsyncClient
) -> None:
    page = (await client.get(URL, params={"limit": 2})).json()
    house.room.alarm("rack-a-1", "basking-cold", place="rack-a-1/basking")
    following = (await client.get(URL, params={"limit": 2, "cursor": page["next"]})).json()
    assert [alarm["id"] for alarm in page["alarms"] + following["alarms"]] == raised[::-1]
    assert following["next"] is None


async def test_an_alarm_is_told_with_its_keys_and_all_that_happened(
    raised: list[int], client: httpx.AsyncClient
) -> None:
    alarm = (await client.get(f"{URL}/{raised[0]}")).json()
    assert (alarm["enclosure"], alarm["zone"], alarm["limit"]) == ("rack-a-1", "basking", 40.0)
    assert alarm["began_at"] == "2026-03-10T13:55:00.000Z"
    assert [(t["before"], t["after"]) for t in alarm["transitions"]] == [
        ("normal", "unacknowledged"),
        ("unacknowledged", "acknowledged"),
    ]


@pytest.mark.parametrize(
    ("path", "status"),
    [
        (f"{URL}/4711", 404),
        (f"{URL}/0", 422),
        (f"{URL}/99999999999999999999", 422),
        (f"{URL}?enclosure=nowhere", 404),
        (f"{URL}?cursor=0", 422),
        (f"{URL}?cursor=1%3B", 422),
        (f"{URL}?state=shouting", 422),
        (f"{URL}?limit=1001", 422),
    ],
)
async def test_what_is_not_there_or_cannot_be_asked_is_refused(
    path: str, status: int, client: httpx.AsyncClient
) -> None:
    assert (await client.get(path)).status_code == status
