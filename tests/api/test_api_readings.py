from typing import Any

import httpx
import pytest
from api_room import NOW, House

from service.api.readings import LARGEST_BATCH
from service.model import to_ms
from service.store.readings import read_readings

URL = "/api/v1/readings"


def reading(**changes: Any) -> dict[str, Any]:
    usual = {"probe": "a1-air", "quantity": "air_temperature", "value": 25.5, "at": "2026-03-10T14:00:30Z"}
    return usual | changes


async def test_posted_readings_are_stored_once_however_often_they_are_sent(
    house: House, client: httpx.AsyncClient
) -> None:
    batch = {"readings": [reading(), reading(at="2026-03-10T14:00:31.250Z", value=25.6)]}
    first = (await client.post(URL, json=batch)).json()
    second = (await client.post(URL, json=batch)).json()
    assert first == {"stored": 2, "repeated": 0, "refused": []}
    assert second == {"stored": 0, "repeated": 2, "refused": []}
    with house.store.read() as session:
        channel = house.room.channels["a1-air/air_temperature"]
        stored = read_readings(session, channel, to_ms(NOW) + 1)
    assert list(zip(stored.at - to_ms(NOW), stored.value, strict=True)) == [(30_000, 25.5), (31_250, 25.6)]


async def test_a_reading_of_an_unknown_probe_is_refused_by_its_index_and_the_others_are_stored(
    client: httpx.AsyncClient,
) -> None:
    batch = [reading(probe="nobody"), reading()]
    answer = (await client.post(URL, json={"readings": batch})).json()
    assert answer["stored"] == 1
    assert [refused["index"] for refused in answer["refused"]] == [0]
    assert "nobody" in answer["refused"][0]["reason"]


@pytest.mark.parametrize(
    "wrong",
    [
        reading(value="25.5"),
        reading(value=True),
        reading(value=None),
        reading(at="2026-03-10T14:00:30"),
        reading(at=1_700_000_000),
        reading(probe=""),
        reading(unit="x" * 17),
        reading(extra=1),
        {"probe": "a1-air"},
    ],
)
async def test_a_reading_of_the_wrong_form_refuses_the_batch(
    wrong: dict[str, Any], house: House, client: httpx.AsyncClient
) -> None:
    answer = await client.post(URL, json={"readings": [reading(), wrong]})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["where"].startswith("body.readings[1]")
    with house.store.read() as session:
        assert not len(read_readings(session, house.room.channels["a1-air/air_temperature"], to_ms(NOW) + 1))


async def test_a_batch_beyond_its_limit_is_refused(client: httpx.AsyncClient) -> None:
    tiny = {"probe": "p", "quantity": "q", "value": 1, "at": "2026-03-10T14:00Z"}
    answer = await client.post(URL, json={"readings": [tiny] * (LARGEST_BATCH + 1)})
    assert answer.status_code == 422
    assert str(LARGEST_BATCH) in answer.json()["detail"]
