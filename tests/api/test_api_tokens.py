import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import httpx
import pytest
from api_people import settle
from api_room import NOW, House, RoomBuilder, furnish, house_of
from typer.testing import CliRunner

from dashboard.app import create_app
from service.commands_tokens import token as commands
from service.errors import BadUse, NotFound
from service.people.roles import Doors, Role
from service.people.tokens import KeyScope, holder_of, make_key, revoke_key
from service.store.tokens import tokens
from tests.empty_store import sqlite_store

HERE = "http://wardian.test"
READING = {"readings": [{"probe": "a1-air", "quantity": "air_temperature", "value": 24, "at": "2026-03-10T14:01:00Z"}]}


@pytest.fixture(scope="module")
def closed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """A room that strangers do not come into."""
    folder = tmp_path_factory.mktemp("keys")
    store = sqlite_store(folder / "wardian.db")
    room = RoomBuilder(store)
    furnish(room)
    house = house_of(store, room, folder)
    settle(store, "x", Oda=Role.OWNER)
    object.__setattr__(house.parts, "doors", Doors(opens_as=None))
    yield house
    store.close()


def key_for(house: House, *scopes: str, lasts: timedelta | None = None) -> str:
    return make_key(house.store, "a test's", scopes, "a test", NOW, lasts).secret


@contextmanager
def changed_clock(house: House, by: timedelta) -> Iterator[None]:
    house.clock[0] += by
    yield
    house.clock[0] -= by


def asking(house: House, **headers: str) -> httpx.AsyncClient:
    transport = httpx.ASGITransport(create_app(house.parts))
    return httpx.AsyncClient(transport=transport, base_url=HERE, headers=headers)


@pytest.mark.parametrize(
    ("scope", "opens"),
    [
        ("read", {"/api/v1/rooms", "/api/v1/enclosures/rack-a-1/now", "/api/v1/profiles"}),
        ("metrics", {"/metrics"}),
        ("readings:write", {"POST"}),
        ("wall", set()),
    ],
)
async def test_a_key_opens_what_it_is_for_and_nothing_else(scope: str, opens: set[str], closed: House) -> None:
    async with asking(closed, authorization=f"Bearer {key_for(closed, scope)}") as client:
        paths = ("/api/v1/rooms", "/api/v1/enclosures/rack-a-1/now", "/api/v1/profiles", "/metrics", "/", "/alarms",
                 "/people", "/people/keys", "/api/v1/tokens", "/enclosures/rack-a-1")  # fmt: skip
        for path in paths:
            assert (path, (await client.get(path)).status_code) == (path, 200 if path in opens else 403)
        sent = await client.post("/api/v1/readings", json=READING)
        assert sent.status_code == (200 if "POST" in opens else 403)
        for path in ("/api/v1/alarms/1/acknowledge", "/care/tasks", "/api/v1/tokens"):
            assert (await client.post(path, json={})).status_code == 403


async def test_a_key_that_is_over_revoked_or_invented_opens_nothing(closed: House) -> None:
    short, long = key_for(closed, "read", lasts=timedelta(days=1)), key_for(closed, "read")
    with closed.store.read() as session:
        rows = tokens(session)
        assert all(secret not in (row.token, row.name) for row in rows for secret in (short, long))
        number = rows[0].id or 0
    async with asking(closed, authorization=f"Bearer {short}") as client:
        assert (await client.get("/api/v1/rooms")).status_code == 200
        with changed_clock(closed, timedelta(days=1)):
            assert (await client.get("/api/v1/rooms")).status_code == 401
    async with asking(closed, authorization=f"Bearer {long}") as client:
        assert (await client.get("/api/v1/rooms")).status_code == 200
        revoke_key(closed.store, number, "a test", NOW)
        assert (await client.get("/api/v1/rooms")).status_code == 401
    with pytest.raises(NotFound):
        revoke_key(closed.store, number, "a test", NOW)
    async with asking(closed, authorization="Bearer invented") as client:
        assert (await client.get("/api/v1/rooms")).status_code == 401


async def test_a_walls_link_shows_the_room_and_nothing_leads_away(closed: House) -> None:
    key = key_for(closed, "wall")
    async with asking(closed, accept="text/html") as client:
        entered = await client.get(f"/wall/{key}")
        assert (entered.status_code, entered.headers["location"]) == (303, "/wall")
        assert "HttpOnly" in entered.headers["set-cookie"]
        page = (await client.get("/wall")).text
        assert "Rack-A-1" in page
        assert key not in page
        body = page[page.index("<header") :]
        assert set(re.findall(r'href="(/[^"]*)"', body)) <= {"/"}
        assert "<form" not in body
        assert (await client.get("/fragments/wall?enclosures=rack-a-1")).status_code == 200
        for path in ("/", "/alarms", "/enclosures/rack-a-1", "/api/v1/rooms", "/people", "/fragments/tiles"):
            answer = await client.get(path)
            assert (answer.status_code, answer.headers.get("location", "")[:8]) == (303, "/sign-in")
        assert (await client.post("/alarms/1/acknowledge", headers={"origin": HERE})).status_code == 401
        with closed.store.read() as session:
            row = tokens(session)[0]
            assert row.seen_at == NOW
        revoke_key(closed.store, row.id or 0, "a test", NOW)
        over = await client.get("/wall")
        assert (over.status_code, over.headers["location"]) == (303, "/wall/over")
        assert "This link opens nothing" in (await client.get("/wall/over")).text
        closed_link = await client.get(f"/wall/{key}")
        assert closed_link.status_code == 404
        assert "This link opens nothing" in closed_link.text
    other = key_for(closed, "read")
    async with asking(closed) as client:
        assert (await client.get(f"/wall/{other}")).status_code == 404


@pytest.mark.parametrize(
    ("name", "scopes", "days"),
    [("", ["read"], 1), ("x" * 65, ["read"], 1), ("x", [], 1), ("x", ["all"], 1), ("x", ["wall", "read"], 1),
     ("x", ["read"], 0), ("x", ["read"], 4_000)],
)  # fmt: skip
def test_a_key_that_cannot_be_is_not_made(name: str, scopes: list[str], days: float, closed: House) -> None:
    with pytest.raises(BadUse):
        make_key(closed.store, name, scopes, "a test", NOW, timedelta(days=days))


def test_keys_are_made_listed_and_revoked_by_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WARDIAN_DATA", str(tmp_path))
    run = CliRunner()
    made = run.invoke(commands, ["add", "collector", "--scope", "metrics", "--days", "30"])
    secret = made.stdout.strip()
    store = sqlite_store(tmp_path / "wardian.db")
    holder = holder_of(store, secret, NOW)
    assert holder is not None
    assert (holder.name, holder.scopes) == ("collector", frozenset({"metrics"}))
    assert run.invoke(commands, ["add", "wall", "--scope", "wall"]).stdout.startswith("http://127.0.0.1:8780/wall/")
    listed = run.invoke(commands, ["list"]).stdout
    assert "collector" in listed
    assert secret not in listed
    assert run.invoke(commands, ["revoke", "1"]).exit_code == 0
    assert holder_of(store, secret, NOW) is None
    assert "revoked" in run.invoke(commands, ["list"]).stdout
    assert [str(one) for one in KeyScope] == ["wall", "read", "readings:write", "metrics"]
    store.close()


async def test_the_page_of_keys_tells_a_key_once(closed: House) -> None:
    closed_doors = closed.parts.doors
    object.__setattr__(closed.parts, "doors", Doors(with_accounts=True))
    async with asking(closed) as client:
        page = (await client.post("/people/keys", data={"name": "office wall", "scope-wall": "1"})).text
        link = re.search(rf"{HERE}/wall/[\w-]+", page)
        assert link
        again = (await client.get("/people/keys")).text
        assert link[0] not in again
        assert "office wall" in again
        assert (await client.post("/people/keys", data={"name": "nothing"})).status_code == 422
        listed = (await client.get("/api/v1/tokens")).json()["tokens"]
        assert listed[0]["name"] == "office wall"
        made = (await client.post("/api/v1/tokens", json={"name": "x", "scopes": ["read"], "days": 2})).json()
        assert (await client.post(f"/people/keys/{made['number']}/revoke")).status_code == 303
    object.__setattr__(closed.parts, "doors", closed_doors)
