import httpx
import pytest
from api_room import House

from dashboard.app import create_app
from service.api.nul import has_nul


@pytest.mark.parametrize(
    ("body", "holds"),
    [(rb'{"note": "a\u0000b"}', True), (rb'{"note": "\\u0000"}', False), (rb'{"note": "\\\u0000"}', True),
     (b"note=a%00b", True), (b"note=a%2500b", False), (b"note=a\0b", True), (b"note=zero", False)],
)  # fmt: skip
def test_a_nul_is_found_however_it_is_written(body: bytes, holds: bool) -> None:
    assert has_nul(body) is holds


async def test_no_nul_comes_in_by_path_query_form_or_json(house: House) -> None:
    alarm = house.room.alarm("rack-a-1", "basking-overheat")
    transport = httpx.ASGITransport(create_app(house.parts))
    async with httpx.AsyncClient(transport=transport, base_url="http://wardian.test") as client:
        asked = [
            await client.get("/search?q=a%00b"),
            await client.get("/animals/a%00b"),
            await client.post(f"/alarms/{alarm}/acknowledge", data={"note": "a\0b"}),
            await client.post(f"/api/v1/alarms/{alarm}/acknowledge", json={"note": "a\0b"}),
        ]
        assert [one.status_code for one in asked] == [422] * 4
        assert "holds a NUL character" in asked[-1].json()["detail"]
        assert (await client.get(f"/api/v1/alarms/{alarm}")).json()["state"] == "unacknowledged"
        plain = await client.post(f"/api/v1/alarms/{alarm}/acknowledge", json={"note": "a\\u0000b"})
        assert plain.status_code == 200
