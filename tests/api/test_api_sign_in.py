import asyncio
from datetime import timedelta
from urllib.parse import urljoin, urlsplit

import pytest
import sqlalchemy as sa
from api_people import HERE, OURS, PASSWORD, token_for, visiting
from api_room import MINUTE, NOW, House
from hypothesis import given
from hypothesis import strategies as st
from starlette.types import Receive, Scope, Send

from dashboard.app import create_app
from dashboard.pages.forms import local_path
from service.api.sign_in import Door
from service.model import PersonSession, SignInTry
from service.people.passwords import is_outdated, matches, why_unfit
from service.people.roles import name_key
from service.people.sessions import BY_ADDRESS, BY_NAME, LONGEST, UNSEEN, Patience, free_at, token_digest
from service.people.signing_in import sign_in, sign_out, visitor_of
from service.store.engine import Store
from service.store.people import all_people


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
