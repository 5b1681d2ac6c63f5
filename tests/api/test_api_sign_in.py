import asyncio
import re
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from urllib.parse import urljoin, urlsplit

import httpx
import pytest
import sqlalchemy as sa
from api_room import MINUTE, NOW, House, RoomBuilder, furnish, house_of
from fastapi import FastAPI
from hypothesis import given
from hypothesis import strategies as st
from starlette.types import ASGIApp, Receive, Scope, Send
from typer.testing import CliRunner

from dashboard.app import create_app
from dashboard.pages.forms import local_path
from service.api.sign_in import Door
from service.cli import app as commands
from service.errors import BadUse, NotFound, Refused, SettingInvalid
from service.main_web import doors_of, require_safe_web
from service.model import Person, PersonSession, SignInTry
from service.people.accounts import add_account, change_password, change_role, end_account
from service.people.passwords import SHORTEST, is_outdated, kept, matches, why_unfit
from service.people.roles import THE_DEMO, Doors, Role, name_key
from service.people.sessions import BY_ADDRESS, BY_NAME, LONGEST, UNSEEN, Patience, free_at, token_digest
from service.people.signing_in import open_session, sign_in, sign_out, visitor_of
from service.settings import LOOPBACK, Settings
from service.store.engine import Store, open_store
from service.store.people import all_people, changes_of_people

HERE = "http://wardian.test"
PASSWORD = "seven wet ferns"  # noqa: S105 - of people who are not there
OURS = {"origin": HERE}
EVERYONE, SIGNED_IN, WORKERS, OWNER = "nvko", "vko", "ko", "o"
ACCESS = {
    "GET /healthz": EVERYONE,
    "GET /readyz": EVERYONE,
    "GET /metrics": SIGNED_IN,
    "GET /api/v1/openapi.json": SIGNED_IN,
    "GET /api/v1/rooms": SIGNED_IN,
    "GET /api/v1/enclosures": SIGNED_IN,
    "GET /api/v1/enclosures/{enclosure_id}": SIGNED_IN,
    "GET /api/v1/enclosures/{enclosure_id}/now": SIGNED_IN,
    "GET /api/v1/enclosures/{enclosure_id}/series": SIGNED_IN,
    "GET /api/v1/enclosures/{enclosure_id}/days": SIGNED_IN,
    "GET /api/v1/enclosures/{enclosure_id}/misting": SIGNED_IN,
    "GET /api/v1/lookback/enclosures/{enclosure_id}": SIGNED_IN,
    "GET /api/v1/lookback/animals/{name}": SIGNED_IN,
    "GET /api/v1/lookback/clutches/{name}": SIGNED_IN,
    "GET /api/v1/animals": SIGNED_IN,
    "POST /api/v1/animals": WORKERS,
    "GET /api/v1/animals/{name}": SIGNED_IN,
    "POST /api/v1/animals/{name}/housings": WORKERS,
    "POST /api/v1/animals/{name}/housings/{number}/correct": WORKERS,
    "POST /api/v1/animals/{name}/housings/{number}/withdraw": WORKERS,
    "GET /api/v1/journal": SIGNED_IN,
    "POST /api/v1/journal": WORKERS,
    "POST /api/v1/journal/{number}/correct": WORKERS,
    "GET /api/v1/clutches": SIGNED_IN,
    "POST /api/v1/clutches": WORKERS,
    "GET /api/v1/clutches/{name}": SIGNED_IN,
    "POST /api/v1/clutches/{name}/places": WORKERS,
    "POST /api/v1/clutches/{name}/correct": WORKERS,
    "POST /api/v1/clutches/{name}/outcome": WORKERS,
    "GET /api/v1/alarms": SIGNED_IN,
    "GET /api/v1/alarms/{alarm_id}": SIGNED_IN,
    "GET /api/v1/alarms/load": SIGNED_IN,
    "GET /api/v1/alarms/load/trial": SIGNED_IN,
    "GET /api/v1/live": SIGNED_IN,
    "POST /api/v1/alarms/{alarm_id}/acknowledge": WORKERS,
    "POST /api/v1/alarms/{alarm_id}/shelve": WORKERS,
    "POST /api/v1/alarms/{alarm_id}/unshelve": WORKERS,
    "POST /api/v1/alarms/{alarm_id}/out-of-service": WORKERS,
    "POST /api/v1/alarms/{alarm_id}/return": WORKERS,
    "GET /api/v1/holds": SIGNED_IN,
    "POST /api/v1/enclosures/{enclosure_id}/out-of-service": WORKERS,
    "POST /api/v1/enclosures/{enclosure_id}/return": WORKERS,
    "POST /api/v1/readings": WORKERS,
    "GET /api/v1/contacts": SIGNED_IN,
    "GET /api/v1/deliveries": SIGNED_IN,
    "POST /api/v1/contacts/{name}/test": WORKERS,
    "GET /telling": SIGNED_IN,
    "POST /telling/test": WORKERS,
    "GET /alarms/{alarm_id}": SIGNED_IN,
    "GET /api/v1/probes": SIGNED_IN,
    "GET /api/v1/probes/{probe_id}": SIGNED_IN,
    "POST /api/v1/probes": WORKERS,
    "POST /api/v1/probes/{probe_id}/place": WORKERS,
    "GET /api/v1/unclaimed": SIGNED_IN,
    "GET /api/v1/unclaimed/{source_id}": SIGNED_IN,
    "GET /probes": SIGNED_IN,
    "GET /fragments/probes": SIGNED_IN,
    "GET /probes/{key}": SIGNED_IN,
    "POST /probes/{key}/place": WORKERS,
    "GET /unclaimed/{source_id}": SIGNED_IN,
    "POST /unclaimed/{source_id}": WORKERS,
    "GET /api/v1/calibrations": SIGNED_IN,
    "POST /api/v1/calibrations": WORKERS,
    "GET /api/v1/calibrations/salts": SIGNED_IN,
    "GET /api/v1/calibrations/reading": SIGNED_IN,
    "POST /api/v1/calibrations/{number}/withdraw": WORKERS,
    "GET /": SIGNED_IN,
    "GET /fragments/tiles": SIGNED_IN,
    "GET /enclosures/{key}": SIGNED_IN,
    "GET /fragments/enclosures/{key}": SIGNED_IN,
    "GET /enclosures/{key}/figure": SIGNED_IN,
    "GET /enclosures/{key}/table": SIGNED_IN,
    "GET /enclosures/{key}/readings.csv": SIGNED_IN,
    "GET /enclosures/{key}/days": SIGNED_IN,
    "GET /enclosures/{key}/days/{day}": SIGNED_IN,
    "GET /enclosures/{key}/misting": SIGNED_IN,
    "GET /enclosures/{key}/typical-day": SIGNED_IN,
    "GET /enclosures/{key}/rain-response": SIGNED_IN,
    "GET /alarms": SIGNED_IN,
    "GET /alarms/load": SIGNED_IN,
    "GET /alarms/load/trial": SIGNED_IN,
    "GET /fragments/alarms": SIGNED_IN,
    "GET /calibration": SIGNED_IN,
    "GET /calibration/{probe}/{quantity}": SIGNED_IN,
    "GET /fragments/calibration/{probe}/{quantity}": SIGNED_IN,
    "POST /calibration/{probe}/{quantity}": WORKERS,
    "GET /reference-checks/{number}": SIGNED_IN,
    "POST /reference-checks/{number}/withdraw": WORKERS,
    "GET /about": SIGNED_IN,
    "GET /my-password": SIGNED_IN,
    "POST /my-password": SIGNED_IN,
    "POST /alarms/{alarm_id}/acknowledge": WORKERS,
    "POST /alarms/{alarm_id}/shelve": WORKERS,
    "POST /holds/{hold_id}/end": WORKERS,
    "POST /enclosures/{key}/out-of-service": WORKERS,
    "POST /enclosures/{key}/return": WORKERS,
    "GET /animals": SIGNED_IN,
    "POST /animals": WORKERS,
    "GET /animals/{name}": SIGNED_IN,
    "POST /animals/{name}/notes": WORKERS,
    "POST /animals/{name}/moves": WORKERS,
    "POST /animals/{name}/housings/{number}": WORKERS,
    "POST /animals/{name}/look-back-days": WORKERS,
    "GET /journal": SIGNED_IN,
    "POST /journal": WORKERS,
    "POST /journal/{number}": WORKERS,
    "GET /clutches": SIGNED_IN,
    "POST /clutches": WORKERS,
    "GET /clutches/{name}": SIGNED_IN,
    "POST /clutches/{name}/moves": WORKERS,
    "POST /clutches/{name}/correct": WORKERS,
    "POST /clutches/{name}/outcome": WORKERS,
    "GET /look-back": SIGNED_IN,
    "GET /look-back/report.{form}": SIGNED_IN,
    "GET /compare": SIGNED_IN,
    "GET /search": SIGNED_IN,
    "GET /labels": SIGNED_IN,
    "GET /labels/{number}.svg": SIGNED_IN,
    "GET /d/{key}": SIGNED_IN,
    "POST /enclosures/{key}/notes": WORKERS,
    "GET /set-up": SIGNED_IN,
    "POST /set-up/site": WORKERS,
    "POST /set-up/rooms": WORKERS,
    "POST /set-up/rooms/{key}/remove": WORKERS,
    "GET /set-up/enclosure": SIGNED_IN,
    "POST /set-up/enclosure": WORKERS,
    "GET /set-up/enclosures/{key}": SIGNED_IN,
    "POST /set-up/enclosures/{key}": WORKERS,
    "POST /set-up/enclosures/{key}/remove": WORKERS,
    "POST /set-up/enclosures/{key}/overrides": WORKERS,
    "POST /set-up/enclosures/{key}/overrides/{check}/end": WORKERS,
    "GET /set-up/room.toml": OWNER,
    "GET /api/v1/tokens": OWNER,
    "POST /api/v1/tokens": OWNER,
    "POST /api/v1/tokens/{number}/revoke": OWNER,
    "GET /people/keys": OWNER,
    "POST /people/keys": OWNER,
    "POST /people/keys/{number}/revoke": OWNER,
    "GET /wall": SIGNED_IN,
    "GET /fragments/wall": SIGNED_IN,
    "GET /wall/{key}": EVERYONE,
    "GET /api/v1/care": SIGNED_IN,
    "POST /api/v1/care/tasks": WORKERS,
    "POST /api/v1/care/tasks/{task}/done": WORKERS,
    "POST /api/v1/care/tasks/{task}/retire": WORKERS,
    "POST /api/v1/care/equipment": WORKERS,
    "POST /api/v1/care/equipment/take-away": WORKERS,
    "POST /api/v1/care/uv": WORKERS,
    "GET /care": SIGNED_IN,
    "POST /care/tasks": WORKERS,
    "POST /care/tasks/{number}/done": WORKERS,
    "POST /care/tasks/{number}/retire": WORKERS,
    "POST /care/uv": WORKERS,
    "POST /care/equipment": WORKERS,
    "POST /care/equipment/take-away": WORKERS,
    "GET /profiles": SIGNED_IN,
    "GET /profiles/{key}": SIGNED_IN,
    "GET /new-profile": SIGNED_IN,
    "POST /new-profile": WORKERS,
    "GET /profiles/{key}/edit": SIGNED_IN,
    "POST /profiles/{key}/edit": WORKERS,
    "POST /fragments/profile-day": WORKERS,
    "GET /profiles/{key}/trial/{number}": SIGNED_IN,
    "POST /profiles/{key}/trial/{number}/save": WORKERS,
    "GET /api/v1/profiles": SIGNED_IN,
    "GET /api/v1/profiles/{profile_id}": SIGNED_IN,
    "POST /api/v1/profiles": WORKERS,
    "POST /api/v1/profiles/{profile_id}/versions": WORKERS,
    "POST /api/v1/profiles/{profile_id}/trial": WORKERS,
    "GET /api/v1/profiles/{profile_id}/trial/{trial}": SIGNED_IN,
    "POST /degrees": SIGNED_IN,
    "GET /api/v1/search": SIGNED_IN,
    "GET /people": OWNER,
    "POST /people": OWNER,
    "POST /people/role": OWNER,
    "POST /people/password": OWNER,
    "POST /people/end": OWNER,
    "GET /first-owner": OWNER,
    "POST /first-owner": OWNER,
    "GET /sign-in": EVERYONE,
    "POST /sign-in": EVERYONE,
    "POST /sign-out": EVERYONE,
    "GET /static/{digest}/{name:path}": EVERYONE,
}
"""Who may do what: n nobody, v viewer, k keeper, o owner."""
IN_A_PATH = {
    "probe_id": "nowhere", "source_id": "4711",
    "enclosure_id": "rack-a-1", "key": "rack-a-1", "alarm_id": "4711", "hold_id": "4711", "day": "2026-03-09",
    "name": "Amber", "number": "4711", "form": "json", "probe": "a1-air", "quantity": "air_temperature",
    "digest": "none", "profile_id": "sun-lizard", "trial": "4711", "task": "4711", "check": "hot-spot",
    "name:path": "css/none.css",
}  # fmt: skip
NAMES = {"v": "Vera", "k": "Kim", "o": "Oda"}


@pytest.fixture(scope="session")
def kept_password() -> str:
    return kept(PASSWORD, b"salt of this test")


@pytest.fixture(scope="module")
def peopled(tmp_path_factory: pytest.TempPathFactory, kept_password: str) -> Iterator[House]:
    """A furnished room with a viewer, a keeper and an owner; tests only ask it."""
    folder = tmp_path_factory.mktemp("peopled")
    store = open_store(f"sqlite:///{folder / 'wardian.db'}")
    room = RoomBuilder(store)
    furnish(room)
    house = house_of(store, room, folder)
    settle(store, kept_password)
    house.parts.wake.close()  # live streams end at once
    yield house
    store.close()


def settle(store: Store, stored: str, **roles: Role) -> None:
    """Give people accounts with the one password."""
    wanted = roles or {NAMES["v"]: Role.VIEWER, NAMES["k"]: Role.KEEPER, NAMES["o"]: Role.OWNER}
    with store.write() as session:
        for name, role in wanted.items():
            person = {"name": name, "key": name_key(name), "role": role, "password": stored}
            session.add(Person(**person, made_at=NOW, made_by="test"))


def token_for(house: House, name: str) -> str:
    with house.store.write() as session:
        person = next(one for one in all_people(session) if one.name == name)
        return open_session(session, person.id or 0, house.clock[0])


@asynccontextmanager
async def visiting(app: ASGIApp, token: str | None = None, url: str = HERE, **sent: str) -> AsyncIterator:
    cookies = {} if token is None else {"wardian": token}
    transport = httpx.ASGITransport(app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url=url, cookies=cookies, headers=sent) as client:
        yield client


def routes_of(app: FastAPI) -> set[str]:
    found = {f"GET {route.path}" for route in app.routes if hasattr(route, "path")}
    for router in app.routes:
        if hasattr(router, "effective_route_contexts"):
            for route in router.effective_route_contexts():
                found |= {f"{method} {route.path}" for method in route.methods}
    return found


# Who may do what


def test_every_route_stands_in_the_table(peopled: House) -> None:
    assert routes_of(create_app(peopled.parts)) == set(ACCESS)


@pytest.mark.parametrize("who", EVERYONE)
async def test_who_may_comes_in_and_who_may_not_is_told(who: str, peopled: House) -> None:
    app, wrong = create_app(peopled.parts), []
    for route, admitted in ACCESS.items():
        method, path = route.split(" ")
        address = re.sub(r"\{([^}]+)\}", lambda found: IN_A_PATH[found[1]], path)
        token = None if who == "n" else token_for(peopled, NAMES[who])
        body = {} if method == "GET" else ({"json": {}} if path.startswith("/api") else {"data": {"name": "x"}})
        async with visiting(app, token, **OURS) as client:
            status = (await client.request(method, address, **body)).status_code
        # The sign-in page itself says 401 to a wrong password.
        came_in = status not in {401, 403} or route == "POST /sign-in"
        if came_in != (who in admitted) or (not came_in and status != (401 if who == "n" else 403)):
            wrong.append((route, status))
    assert wrong == []


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
async def test_an_address_that_nobody_wrote_down_is_closed_to_viewers_who_would_change_it(
    method: str, peopled: House
) -> None:
    async with visiting(create_app(peopled.parts), token_for(peopled, "Vera"), **OURS) as client:
        assert (await client.request(method, "/api/v1/something-new")).status_code == 403
    async with visiting(create_app(peopled.parts), **OURS) as client:
        assert (await client.request(method, "/api/v1/something-new")).status_code == 401


async def test_a_strangers_browser_is_shown_the_sign_in_page_and_comes_back_to_what_it_asked_for(
    peopled: House,
) -> None:
    async with visiting(create_app(peopled.parts), accept="text/html") as client:
        asked = await client.get("/alarms?page=2")
        assert (asked.status_code, asked.headers["location"]) == (303, "/sign-in?to=/alarms%3Fpage%3D2")
        page = await client.get(asked.headers["location"])
        assert 'value="/alarms?page=2"' in page.text
        for caution in ("its own thermostat", "residual-current protection", "needs a veterinarian"):
            assert caution in page.text


@given(st.text(max_size=40) | st.from_regex(r"[/\\]{1,3}[a-z./\\:@]{0,20}", fullmatch=True))
def test_signing_in_never_leads_to_another_host(asked: str) -> None:
    led = urljoin(f"{HERE}/sign-in", local_path(asked))
    assert urlsplit(led).netloc == urlsplit(HERE).netloc
    assert "\\" not in led
    assert "\n" not in led


# Changes come from our own pages


@pytest.mark.parametrize(
    ("sent", "status"),
    [
        ({"origin": HERE}, 404),
        ({"sec-fetch-site": "same-origin"}, 404),
        ({"x-wardian": "1"}, 404),
        ({"origin": "http://elsewhere.test"}, 403),
        ({"origin": "null"}, 403),
        ({"origin": f"{HERE}.elsewhere.test"}, 403),
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"sec-fetch-site": "same-site", "origin": HERE}, 403),
        ({"sec-fetch-site": "cross-site", "x-wardian": "1"}, 403),
        ({}, 403),
    ],
)
async def test_a_change_with_a_cookie_is_taken_from_our_own_pages_alone(
    sent: dict[str, str], status: int, peopled: House
) -> None:
    async with visiting(create_app(peopled.parts), token_for(peopled, "Kim"), **sent) as client:
        for path in ("/api/v1/alarms/4711/acknowledge", "/alarms/4711/acknowledge"):
            body = {"json": {}} if path.startswith("/api") else {"data": {"note": "x"}}
            assert (await client.post(path, **body)).status_code == status


async def test_another_sites_page_changes_nothing_in_a_room_that_is_open_to_this_computer(house: House) -> None:
    alarm = house.room.alarm("rack-a-1", "basking-overheat")
    async with visiting(create_app(house.parts)) as client:
        for forged in ({"origin": "http://elsewhere.test"}, {"sec-fetch-site": "cross-site"}):
            assert (await client.post(f"/alarms/{alarm}/acknowledge", data={}, headers=forged)).status_code == 403
            assert (await client.post("/first-owner", data={"name": "Eve"}, headers=forged)).status_code == 403
        assert (await client.get(f"/api/v1/alarms/{alarm}")).json()["state"] == "unacknowledged"
        # A program has neither header, and no cookie that someone could ride on.
        assert (await client.post("/api/v1/readings", json={"readings": []})).status_code == 200


# Signing in and out


@pytest.fixture
def home(house: House, kept_password: str) -> House:
    """A furnished room with people, for tests that change it."""
    settle(house.store, kept_password)
    return house


async def test_a_right_password_gives_a_cookie_that_scripts_cannot_read_and_the_database_does_not_hold(
    home: House,
) -> None:
    async with visiting(create_app(home.parts), **OURS) as client:
        answer = await client.post("/sign-in", data={"name": " KIM ", "password": PASSWORD, "to": "/alarms"})
        assert (answer.status_code, answer.headers["location"]) == (303, "/alarms")
        cookie = answer.headers["set-cookie"]
        assert {"HttpOnly", "SameSite=lax", "Path=/"} <= set(cookie.split("; "))
        assert "Secure" not in cookie
        assert "Kim, keeper" in (await client.get("/")).text
        token = client.cookies["wardian"]
        before = token
        await client.post("/sign-in", data={"name": "Kim", "password": PASSWORD})
        assert client.cookies["wardian"] != before
    with home.store.read() as session:
        stored = session.scalars(sa.select(PersonSession.token)).all()
    assert token not in stored
    assert token_digest(token) not in stored, "a new sign-in ends the one that the browser had before"
    assert len(token) >= 43


async def test_over_https_the_cookie_is_for_this_host_and_for_https_alone(home: House) -> None:
    async with visiting(create_app(home.parts), url="https://wardian.test", origin="https://wardian.test") as client:
        answer = await client.post("/sign-in", data={"name": "Kim", "password": PASSWORD})
        cookie = answer.headers["set-cookie"]
        assert cookie.startswith("__Host-wardian=")
        assert "Secure" in cookie
        assert (await client.get("/alarms")).status_code == 200


async def test_a_wrong_name_and_a_wrong_password_get_the_same_answer(home: House) -> None:
    async with visiting(create_app(home.parts), **OURS) as client:
        said = {}
        for name in ("Kim", "Kit"):
            answer = await client.post("/sign-in", data={"name": name, "password": "not the ferns"})
            said[name] = (answer.status_code, answer.text.replace(name, "…"))
        assert said["Kim"] == said["Kit"]
        assert said["Kim"][0] == 401
        assert "set-cookie" not in answer.headers


def tries(store: Store, count: int, name: str, address: str) -> None:
    with store.write() as session:
        session.add_all([SignInTry(at=NOW, key=name_key(name), address=address) for _ in range(count)])


@pytest.mark.parametrize("name", ["Kim", "Kit"])
async def test_too_many_tries_of_a_name_wait_whether_it_is_known_or_not(name: str, home: House) -> None:
    tries(home.store, BY_NAME.most, name, "192.0.2.7")
    async with visiting(create_app(home.parts), **OURS) as client:
        answer = await client.post("/sign-in", data={"name": name, "password": PASSWORD})
        assert (answer.status_code, answer.headers["retry-after"]) == (429, "900")
        assert "The next is taken in 15 min." in answer.text
        home.clock[0] = NOW + BY_NAME.window
        later = await client.post("/sign-in", data={"name": name, "password": PASSWORD})
        assert later.status_code == (303 if name == "Kim" else 401)


async def test_an_address_that_tries_many_names_waits_and_others_do_not(home: House) -> None:
    for number in range(BY_ADDRESS.most):
        tries(home.store, 1, f"name {number}", "127.0.0.1")
    async with visiting(create_app(home.parts), **OURS) as client:
        assert (await client.post("/sign-in", data={"name": "Kim", "password": PASSWORD})).status_code == 429
    assert not hasattr(sign_in(home.store, "Kim", PASSWORD, "192.0.2.7", NOW), "again_at")


@given(st.lists(st.integers(0, 3_000), max_size=30), st.integers(1, 8))
def test_waiting_as_long_as_is_said_is_long_enough_and_not_too_long(seconds: list[int], most: int) -> None:
    patience, now = Patience(most, timedelta(minutes=15)), NOW
    times = [now - timedelta(seconds=ago) for ago in seconds]
    free = free_at(times, now, patience)
    if free is None:
        assert sum(now - at < patience.window for at in times) < most
    else:
        assert free_at(times, free, patience) is None
        assert free_at(times, free - timedelta(milliseconds=1), patience) is not None


async def test_signing_out_ends_the_session_and_not_the_cookie_alone(home: House) -> None:
    token = token_for(home, "Kim")
    async with visiting(create_app(home.parts), token, **OURS) as client:
        assert (await client.get("/alarms")).status_code == 200
        answer = await client.post("/sign-out")
        assert 'wardian=""' in answer.headers["set-cookie"]
    async with visiting(create_app(home.parts), token) as client:
        assert (await client.get("/alarms")).status_code == 401


async def test_a_live_stream_ends_when_its_visitor_has_signed_out(home: House) -> None:
    begun = asyncio.Event()

    async def endless(scope: Scope, receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b"event: pulse", "more_body": True})
        begun.set()
        await asyncio.Event().wait()

    token = token_for(home, "Vera")
    async with visiting(Door(endless, home.parts, look_again_s=0.02), token) as client:
        following = asyncio.create_task(client.get("/api/v1/live"))
        await begun.wait()
        sign_out(home.store, token)
        answer = await asyncio.wait_for(following, 10)
    assert answer.content == b"event: pulse"


@pytest.mark.parametrize(
    ("gaps", "is_in"),
    [
        ([UNSEEN - MINUTE], True),
        ([UNSEEN], False),
        ([UNSEEN - MINUTE] * 6, True),
        ([UNSEEN - MINUTE] * 6 + [LONGEST - 6 * (UNSEEN - MINUTE)], False),
    ],
)
def test_a_session_lasts_while_it_is_seen_and_never_longer_than_its_longest(
    gaps: list[timedelta], is_in: bool, home: House
) -> None:
    token, now = token_for(home, "Kim"), NOW
    for gap in gaps:
        now += gap
        there = visitor_of(home.store, token, now)
    assert (there is not None) == is_in


def test_a_password_that_was_kept_at_another_cost_is_renewed_when_it_is_next_used(home: House) -> None:
    with home.store.write() as session:
        person = next(one for one in all_people(session) if one.name == "Kim")
        # Argon2id with 1 MiB and one pass, of the same password and sixteen zero bytes.
        person.password = OLD
        session.add(person)
    assert is_outdated(OLD)
    assert hasattr(sign_in(home.store, "Kim", PASSWORD, "192.0.2.7", NOW), "token")
    with home.store.read() as session:
        renewed = next(one for one in all_people(session) if one.name == "Kim").password
    assert not is_outdated(renewed)
    assert matches(PASSWORD, renewed)


OLD = "$argon2id$v=19$m=1024,t=1,p=1$AAAAAAAAAAAAAAAAAAAAAA$jW70KQ5ahLy7M7yWD3AbwwpaFLqMbRZBEiDtxB99kNo"


@pytest.mark.parametrize("password", ["short", "x" * 201, "aaaaaaaaaaaa", "Kim the keeper"])
def test_a_password_that_is_easily_guessed_is_refused_with_the_reason(password: str) -> None:
    assert why_unfit(password, "Kim the keeper")
    assert why_unfit(PASSWORD, "Kim the keeper") is None


# Accounts


def test_a_new_password_signs_out_everywhere(home: House) -> None:
    token = token_for(home, "Kim")
    assert visitor_of(home.store, token, NOW)
    change_password(home.store, "kim", "nine dry stones", "Oda", NOW)
    assert visitor_of(home.store, token, NOW) is None


def test_who_changed_an_account_is_named_in_the_record_and_no_password_stands_there(home: House) -> None:
    change_role(home.store, "Kim", Role.VIEWER, "Oda", NOW)
    change_role(home.store, "Kim", Role.VIEWER, "Oda", NOW)
    change_password(home.store, "Vera", "nine dry stones", "Vera", NOW)
    add_account(home.store, "Ines", "ten cold drops", Role.KEEPER, "Oda", NOW)
    end_account(home.store, "Kim", "Oda", NOW)
    with home.store.read() as session:
        told = [(one.subject, one.by, one.before, one.after) for one in reversed(changes_of_people(session, 20))]
    assert told == [
        ('person "Kim"', "Oda", {"role": "keeper"}, {"role": "viewer"}),
        ('person "Vera"', "Vera", None, {"password": "changed"}),
        ('person "Ines"', "Oda", None, {"role": "keeper"}),
        ('person "Kim"', "Oda", {"role": "viewer"}, None),
    ]


def test_an_ended_account_is_out_at_once_and_the_last_owner_stays(home: House) -> None:
    token = token_for(home, "Kim")
    end_account(home.store, "Kim", "Oda", NOW)
    assert visitor_of(home.store, token, NOW) is None
    with pytest.raises(NotFound, match="nobody called 'Kim' can sign in; those who can: Oda, Vera"):
        change_role(home.store, "Kim", Role.OWNER, "Oda", NOW)
    for change in (
        lambda: end_account(home.store, "Oda", "Oda", NOW),
        lambda: change_role(home.store, "Oda", Role.VIEWER, "Oda", NOW),
    ):
        with pytest.raises(Refused, match="Oda is the last owner"):
            change()


@pytest.mark.parametrize(
    "name", ["", " ", "the watch", "The  Watch", "demo", "x" * 65, "<b>", "a\nb\x00", "ｔｈｅ ｗａｔｃｈ"]
)
def test_a_name_that_would_mislead_in_the_record_is_refused(name: str, home: House) -> None:
    with pytest.raises(BadUse):
        add_account(home.store, name, PASSWORD, Role.KEEPER, "Oda", NOW)


def test_one_name_is_one_person_however_it_is_written(home: House) -> None:
    with pytest.raises(Refused, match="Kim has an account already"):
        add_account(home.store, "ｋｉｍ", PASSWORD, Role.KEEPER, "Oda", NOW)


async def test_an_owner_adds_changes_and_ends_accounts_on_the_people_page(home: House) -> None:
    async with visiting(create_app(home.parts), token_for(home, "Oda"), **OURS) as client:
        sent = {"name": "Ben", "password": "eleven old logs", "role": "viewer"}
        assert (await client.post("/people", data=sent)).status_code == 303
        assert (await client.post("/people", data=sent)).status_code == 409
        assert (await client.post("/people/role", data={"name": "Ben", "role": "keeper"})).status_code == 303
        page = (await client.get("/people")).text
        assert "Ben <span" in page
        assert "Oda made Ben keeper, before viewer" in page
        assert (await client.post("/people/end", data={"name": "Ben", "confirm": "no"})).status_code == 422
        assert (await client.post("/people/end", data={"name": "Ben", "confirm": "Ben"})).status_code == 303
        assert "Ben <span" not in (await client.get("/people")).text


async def test_ones_own_password_is_changed_by_who_knows_the_old_one(home: House) -> None:
    other = token_for(home, "Vera")
    async with visiting(create_app(home.parts), token_for(home, "Vera"), **OURS) as client:
        new = {"password": "nine dry stones", "again": "nine dry stones"}
        assert (await client.post("/my-password", data={"old": "not this one", **new})).status_code == 422
        assert (await client.post("/my-password", data={"old": PASSWORD, **new})).status_code == 303
        assert (await client.get("/alarms")).status_code == 200
    assert visitor_of(home.store, other, NOW) is None


# The first owner, and the doors


async def test_a_room_is_open_to_its_computer_until_the_first_owner_closes_it(house: House) -> None:
    app = create_app(house.parts)
    async with visiting(app, **OURS) as client:
        assert "Make the first owner" in (await client.get("/")).text
        short = {"name": "Oda", "password": "x" * (SHORTEST - 1), "again": "x" * (SHORTEST - 1)}
        assert (await client.post("/first-owner", data=short)).status_code == 422
        fit = {"name": "Oda", "password": PASSWORD, "again": PASSWORD}
        assert (await client.post("/first-owner", data=fit | {"again": "other"})).status_code == 422
        assert (await client.post("/first-owner", data=fit)).status_code == 303
        assert "Oda, owner" in (await client.get("/")).text
        assert (await client.post("/first-owner", data=fit)).status_code == 409
    async with visiting(app, **OURS) as client:
        assert (await client.get("/")).status_code == 401
        assert (await client.post("/first-owner", data=fit)).status_code == 401


@pytest.mark.parametrize(
    ("url", "status"),
    [
        ("http://127.0.0.1:8780", 200),
        ("http://localhost:8780", 200),
        ("http://wardian.test", 401),
        ("http://127.0.0.1.elsewhere.test", 401),
    ],
)
async def test_an_open_room_answers_to_this_computers_own_names_alone(url: str, status: int, house: House) -> None:
    parts = replace(house.parts, doors=doors_of(Settings(web="127.0.0.1:8780")))
    async with visiting(create_app(parts), url=url) as client:
        assert (await client.get("/api/v1/rooms")).status_code == status


async def test_the_demo_stays_open_as_demo_whoever_has_an_account(home: House) -> None:
    parts = replace(home.parts, doors=Doors(opens_as=THE_DEMO, with_accounts=True, hosts=LOOPBACK))
    alarm = home.room.alarm("rack-a-1", "basking-overheat")
    async with visiting(create_app(parts), url="http://127.0.0.1") as client:
        answer = await client.post(f"/api/v1/alarms/{alarm}/acknowledge", json={})
        assert answer.json()["acknowledged_by"] == "demo"
        assert (await client.post("/first-owner", data={"name": "Eve"})).status_code == 409


async def test_beyond_this_computer_the_service_starts_with_an_account_alone_and_opens_to_nobody(
    house: House, kept_password: str
) -> None:
    beyond = Settings(web="0.0.0.0:8780")
    with pytest.raises(SettingInvalid, match=r"0\.0\.0\.0:8780 is reachable from other computers.*wardian account add"):
        require_safe_web(beyond, house.store)
    parts = replace(house.parts, doors=doors_of(beyond))
    async with visiting(create_app(parts), url="http://127.0.0.1") as client:
        assert (await client.get("/")).status_code == 401
    settle(house.store, kept_password, Oda=Role.OWNER)
    require_safe_web(beyond, house.store)
    require_safe_web(Settings(web="127.0.0.1:8780"), house.store)


# The command line


def test_accounts_are_made_changed_and_listed_from_the_command_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WARDIAN_DATA", str(tmp_path))
    run = CliRunner().invoke
    assert "Nobody has an account yet" in run(commands, ["account", "list"]).output
    first = run(commands, ["account", "add", "Kim"], input=f"{PASSWORD}\n")
    assert "the first account is an owner's: add --role owner" in str(first.exception)
    assert run(commands, ["account", "add", "Oda", "--role", "owner"], input=f"{PASSWORD}\n").exit_code == 0
    assert run(commands, ["account", "add", "Kim"], input=f"{PASSWORD}\n").output == "Kim can sign in as keeper.\n"
    listed = run(commands, ["account", "list"]).output
    assert [line.split()[:2] for line in listed.splitlines()[1:]] == [["Kim", "keeper"], ["Oda", "owner"]]
    assert run(commands, ["account", "passwd", "kim"], input="nine dry stones\n").exit_code == 0
    assert isinstance(run(commands, ["account", "passwd", "Kit"], input="x\n").exception, NotFound)
    store = open_store(f"sqlite:///{tmp_path / 'wardian.db'}")
    assert hasattr(sign_in(store, "Kim", "nine dry stones", "192.0.2.7", NOW), "token")
    store.close()
