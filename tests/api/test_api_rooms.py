from datetime import UTC, datetime, timedelta

import httpx
import pytest
from api_room import MINUTE, NOW, House

URL = "/api/v1/enclosures"


async def test_enclosures_come_in_pages_that_together_hold_each_once(house: House, client: httpx.AsyncClient) -> None:
    seen: list[str] = []
    cursor: str | None = ""
    while cursor is not None:
        asked = {"limit": 2} | ({"cursor": cursor} if cursor else {})
        page = (await client.get(URL, params=asked)).json()
        assert len(page["enclosures"]) <= 2
        seen += [enclosure["id"] for enclosure in page["enclosures"]]
        cursor = page["next"]
    assert seen == ["rack-a-1", "rack-a-2", "spare"]


async def test_rooms_are_listed_by_their_keys(client: httpx.AsyncClient) -> None:
    answer = (await client.get("/api/v1/rooms")).json()
    assert answer == {"rooms": [{"id": "front", "name": "Front room"}], "next": None}


async def test_an_enclosure_says_where_it_stands_what_it_follows_and_what_is_placed(client: httpx.AsyncClient) -> None:
    answer = (await client.get(f"{URL}/rack-a-1")).json()
    assert answer["place"] == {"rack": "A", "level": 1, "slot": 1}
    assert answer["profile"] == "sun-lizard"
    assert {(p["channel"], p["zone"], p["until"]) for p in answer["placements"]} == {
        ("a1-spot/surface_temperature", "basking", None),
        ("a1-air/air_temperature", "ambient", None),
        ("a1-rh/relative_humidity", "ambient", None),
    }


async def test_an_unknown_enclosure_is_answered_with_the_nearest_one(client: httpx.AsyncClient) -> None:
    answer = await client.get(f"{URL}/spaer")
    assert answer.status_code == 404
    assert "did you mean 'spare'?" in answer.json()["detail"]


async def test_now_gives_the_state_the_figure_and_each_zone_with_its_target(client: httpx.AsyncClient) -> None:
    answer = (await client.get(f"{URL}/rack-a-1/now")).json()
    assert (answer["state"], answer["part_of_day"]) == ("steady", "day")
    assert answer["figure"]["value"] == 33.5
    basking = next(value for value in answer["values"] if value["zone"] == "basking")
    assert basking["target"] == {
        "check": "hot-spot", "low": 31.0, "high": 36.0, "source": "common practice, no source",
    }  # fmt: skip
    assert basking["at"] == "2026-03-10T14:00:00.000Z"


async def test_series_is_todays_local_day_by_default(client: httpx.AsyncClient) -> None:
    answer = (await client.get(f"{URL}/rack-a-1/series", params={"zone": "basking"})).json()
    assert (answer["from"], answer["to"]) == ("2026-03-10T00:00:00.000Z", "2026-03-11T00:00:00.000Z")
    (series,) = answer["series"]
    assert series["readings"] == 239  # the one that is taken right now lies in the next millisecond
    assert len(series["at_ms"]) == len(series["value"]) == len(series["flags"]) == 239


@pytest.mark.parametrize(
    ("first", "last"),
    [
        ("2026-03-10T12:00:00Z", "2026-03-10T13:00:00Z"),
        ("2026-03-10T13:00:00+01:00", "2026-03-10T14:00:00+01:00"),
        ("2026-03-10T12:00:00.000Z", "2026-03-10T08:00-05:00"),
    ],
)
async def test_series_takes_instants_with_any_offset(first: str, last: str, client: httpx.AsyncClient) -> None:
    asked = {"zone": "basking", "from": first, "to": last}
    (series,) = (await client.get(f"{URL}/rack-a-1/series", params=asked)).json()["series"]
    assert series["readings"] == 60


async def test_a_plus_that_was_not_escaped_is_read_as_a_plus(client: httpx.AsyncClient) -> None:
    url = f"{URL}/rack-a-1/series?from=2026-03-10T13:00:00+01:00&to=2026-03-10T14:00:00+01:00&zone=basking"
    (series,) = (await client.get(url)).json()["series"]
    assert series["readings"] == 60


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"from": "2026-03-10T12:00:00"}, "query.from"),
        ({"from": "2026-02-30T12:00:00Z"}, "query.from"),
        ({"from": "1700000000"}, "query.from"),
        ({"from": "1969-12-31T23:59:59Z"}, "1970 to 2199"),
        ({"to": "9999-12-31T23:59:59-12:00"}, "query.to"),
        ({"points": "9"}, "query.points"),
        ({"points": "20001"}, "query.points"),
        ({"zone": "baskin"}, "did you mean 'basking'?"),
        ({"quantity": "temperature"}, "is no quantity"),
        ({"from": "2026-03-11T00:00:00Z", "to": "2026-03-10T00:00:00Z"}, "expected before to"),
        ({"from": "2020-01-01T00:00:00Z"}, "1100 days"),
    ],
)
async def test_series_refuses_what_cannot_be_and_says_why(
    asked: dict[str, str], said: str, client: httpx.AsyncClient
) -> None:
    answer = await client.get(f"{URL}/rack-a-1/series", params=asked)
    assert answer.status_code == 422
    assert said in answer.json()["detail"]


async def test_what_lies_ahead_is_no_gap(house: House, client: httpx.AsyncClient) -> None:
    asked = {"from": (NOW - timedelta(hours=1)).isoformat(), "to": (NOW + timedelta(hours=9)).isoformat()}
    answer = (await client.get(f"{URL}/rack-a-1/series", params=asked)).json()
    assert [series["gaps"] for series in answer["series"]] == [[], [], []]
    ahead = {"from": (NOW + timedelta(hours=1)).isoformat(), "to": (NOW + timedelta(hours=9)).isoformat()}
    answer = (await client.get(f"{URL}/rack-a-1/series", params=ahead)).json()
    assert [series["at_ms"] for series in answer["series"]] == [[], [], []]


async def test_a_silent_probes_chart_ends_in_a_gap_that_reaches_now(client: httpx.AsyncClient) -> None:
    (series,) = (await client.get(f"{URL}/rack-a-2/series")).json()["series"]
    last = series["at_ms"][-1]
    assert series["gaps"][-1] == {"from": last + 300_000, "to": int(NOW.timestamp() * 1000)}


async def test_a_break_in_a_chart_is_null_and_flags_come_along(house: House, client: httpx.AsyncClient) -> None:
    channel = house.room.channel("gap", "air_temperature")
    house.room.place(channel, "spare", "canopy")
    early = datetime(2026, 3, 1, tzinfo=UTC)
    house.room.readings(channel, [(early, 20.0), (early + MINUTE, 21.0, 4), (early + 60 * MINUTE, 22.0)])
    asked = {"from": "2026-03-01T00:00:00Z", "to": "2026-03-01T02:00:00Z"}
    (series,) = (await client.get(f"{URL}/spare/series", params=asked)).json()["series"]
    assert series["value"] == [20.0, 21.0, None, 22.0]
    assert series["flags"] == [1, 4, 0, 1]
