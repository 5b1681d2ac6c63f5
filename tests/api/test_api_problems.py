import re
from collections.abc import AsyncIterator
from http import HTTPStatus

import httpx
import orjson
import pytest
import structlog
from api_room import ROUTES, House
from fastapi.routing import APIRoute

from service.api.problems import LARGEST_BODY
from service.errors import BadUse, NotFound, Refused, RoomFileInvalid, StoreFull, Unreachable, WardianError
from service.logs import configure_logs


def assert_is_problem(answer: httpx.Response, status: int) -> None:
    """RFC 9457: the media type, the members, and a status that agrees with the response's own."""
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert body["type"] == "about:blank"
    assert body["title"] == HTTPStatus(status).phrase
    assert body["status"] == status
    assert len(body["detail"]) > 10
    assert body["instance"] == answer.request.url.path


def test_every_route_stands_in_the_list_above(house: House) -> None:
    paths = house.app.openapi()["paths"]
    described = {(method.upper(), path) for path, methods in paths.items() for method in methods}
    assert described == set(ROUTES)


@pytest.mark.parametrize(("method", "path"), ROUTES)
async def test_a_method_that_a_route_does_not_take_is_a_problem_that_names_those_it_takes(
    method: str, path: str, client: httpx.AsyncClient
) -> None:
    answer = await client.request("DELETE", re.sub(r"\{\w+\}", "1", path))
    assert_is_problem(answer, 405)
    assert method in answer.headers["allow"]


@pytest.mark.parametrize(
    "path",
    [re.sub(r"\{\w+\}", "1", path) for method, path in ROUTES if path != "/healthz"],
)
async def test_a_store_that_cannot_be_read_is_a_problem_to_try_again(path: str, house: House) -> None:
    house.store.close()
    database = house.parts.settings.data / "wardian.db"
    database.write_bytes(b"this is no database" * 100)
    for left_over in ("wardian.db-wal", "wardian.db-shm"):
        (database.parent / left_over).unlink(missing_ok=True)
    transport = httpx.ASGITransport(house.app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://wardian.test") as client:
        if path == "/readyz":
            answer = await client.get(path)
            assert answer.status_code == 200  # the parts speak for themselves, also when the store is gone
        elif path == "/api/v1/readings":
            reading = {"probe": "a1-air", "quantity": "air_temperature", "value": 24, "at": "2026-03-10T14:01:00Z"}
            assert_is_problem(await client.post(path, json={"readings": [reading]}), 503)
        else:
            answer = await client.get(path)
            assert_is_problem(answer, 503)
            assert answer.headers["retry-after"] == "5"


@pytest.mark.parametrize("path", ["/api/v1/nothing", "/api/v1/rooms/", "/api/v1/enclosures/a/b/c", "/nothing"])
async def test_an_address_without_a_page_is_a_problem(path: str, client: httpx.AsyncClient) -> None:
    assert_is_problem(await client.get(path), 404)


async def test_a_fault_of_ours_is_a_problem_that_tells_nothing_of_its_inside(
    broken: House, capsys: pytest.CaptureFixture
) -> None:
    configure_logs("json")
    transport = httpx.ASGITransport(broken.app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://wardian.test") as client:
        answer = await client.get("/api/v1/enclosures/rack-a-1/now")
    structlog.reset_defaults()
    assert_is_problem(answer, 500)
    assert "clock" not in answer.text
    (line,) = (orjson.loads(line) for line in capsys.readouterr().err.splitlines() if "request_failed" in line)
    assert line["request"] == answer.json()["request"]
    assert line["request"] in answer.json()["detail"]
    assert "clock" in line["exception"]


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (NotFound("there is no such thing here"), 404),
        (Refused("that cannot be done with it now"), 409),
        (BadUse("that cannot be asked for at all"), 422),
        (RoomFileInvalid(["line 3: no such zone", "line 9: no such unit"]), 422),
        (StoreFull("the disk is full; free some space"), 503),
        (Unreachable("the other side does not answer"), 503),
        (WardianError("something else of ours went wrong"), 500),
    ],
)
async def test_each_error_of_ours_has_its_status(error: WardianError, status: int, house: House) -> None:
    app = house.app

    def fails() -> None:
        raise error

    app.router.routes.append(APIRoute("/fails", fails))
    transport = httpx.ASGITransport(app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://wardian.test") as client:
        answer = await client.get("/fails")
    assert_is_problem(answer, status)
    assert answer.json()["detail"] == str(error)


@pytest.mark.parametrize("announced", [True, False])
async def test_a_body_over_the_limit_is_refused_while_it_is_read(
    announced: bool, house: House, client: httpx.AsyncClient
) -> None:
    taken = 0
    chunk = b" " * 65_536

    async def endless() -> AsyncIterator[bytes]:
        nonlocal taken
        while taken < 100 * LARGEST_BODY:
            taken += len(chunk)
            yield chunk

    headers = {"content-type": "application/json"}
    if announced:
        answer = await client.post("/api/v1/readings", content=b" " * (LARGEST_BODY + 1), headers=headers)
    else:
        answer = await client.post("/api/v1/readings", content=endless(), headers=headers)
        assert taken <= LARGEST_BODY + 2 * len(chunk)
    assert_is_problem(answer, 413)


async def test_a_body_at_the_limit_is_read(client: httpx.AsyncClient) -> None:
    body = b'{"readings": []}'
    answer = await client.post(
        "/api/v1/readings", content=body.ljust(LARGEST_BODY), headers={"content-type": "application/json"}
    )
    assert answer.json() == {"stored": 0, "repeated": 0, "refused": []}


async def test_each_wrong_part_of_a_request_is_named(client: httpx.AsyncClient) -> None:
    readings = [
        {"probe": "a1-air", "quantity": "air_temperature", "value": 24.0, "at": "2026-03-10T14:00:00Z"},
        {"probe": "a1-air", "quantity": "air_temperature", "value": "warm", "at": "noon"},
    ]
    answer = await client.post("/api/v1/readings", json={"readings": readings})
    assert_is_problem(answer, 422)
    assert [error["where"] for error in answer.json()["errors"]] == ["body.readings[1].value", "body.readings[1].at"]


@pytest.mark.parametrize("body", [b"{", b"\xff\xfe", b"[" * 200_000, b"", b'{"readings": [{"value": NaN}]}'])
async def test_a_body_that_is_no_json_is_a_problem(body: bytes, client: httpx.AsyncClient) -> None:
    answer = await client.post("/api/v1/readings", content=body, headers={"content-type": "application/json"})
    assert answer.status_code in {400, 422}
    assert_is_problem(answer, answer.status_code)
