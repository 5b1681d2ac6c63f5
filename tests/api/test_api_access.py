import inspect
import re
from pathlib import Path

import pytest
from access_table import ACCESS, EVERYONE, KEYS, SIGNED_IN, document
from api_people import NAMES, OURS, token_for, visiting
from api_room import NOW, House
from fastapi import FastAPI

from dashboard.app import create_app
from service.api.access import SAFE, may_sign_out, right_for, scope_opens
from service.api.sign_in import WALL_COOKIE, SignedIn
from service.people.roles import Right
from service.people.tokens import KeyScope, make_key

DOCUMENT = Path(__file__).parents[2] / "docs" / "access.md"
IN_A_PATH = {
    "probe_id": "nowhere", "source_id": "4711",
    "enclosure_id": "rack-a-1", "key": "rack-a-1", "alarm_id": "4711", "hold_id": "4711", "day": "2026-03-09",
    "name": "Amber", "number": "4711", "form": "json", "probe": "a1-air", "quantity": "air_temperature",
    "secret": "none", "digest": "none", "profile_id": "sun-lizard", "trial": "4711", "task": "4711",
    "check": "hot-spot", "name:path": "css/none.css",
}  # fmt: skip
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")
ADMITTED_TO_ALL = frozenset(route for route, who in ACCESS.items() if who == EVERYONE)
CHANGES_NO_RECORD = {
    "POST /sign-in", "POST /sign-out", "POST /invitation", "POST /api/v1/readings", "POST /fragments/profile-day",
    "POST /api/v1/profiles/{profile_id}/trial",
}  # fmt: skip
"""What needs no name: who comes and goes, what probes say, and what a draft would do."""


def routes_of(app: FastAPI) -> set[str]:
    return {f"{method} {route.path}" for route in app.routes for method in route.methods - {"HEAD"}}


def asked(route: str) -> tuple[str, str, dict]:
    """Return how a route is asked: method, address, and a body that means nothing."""
    method, path = route.split(" ")
    address = re.sub(r"\{([^}]+)\}", lambda found: IN_A_PATH[found[1]], path)
    body = {} if method == "GET" else ({"json": {}} if path.startswith("/api") else {"data": {"name": "x"}})
    return method, address, body


async def not_as_written(house: House, admitted: set[str], turned_away: int, who: str = "", **sent: str) -> list:
    """Ask every route, and return those where the door did not do what the table says."""
    app, wrong = create_app(house.parts), []
    token, may_be_out = None, True
    for route in ACCESS:
        method, address, body = asked(route)
        token = token_for(house, who) if who and may_be_out else token
        may_be_out = may_sign_out(method, address)
        async with visiting(app, token, **OURS, **sent) as client:
            status = (await client.request(method, address, **body)).status_code
        # The sign-in page itself says 401 to a wrong password.
        came_in = status not in {401, 403} or route == "POST /sign-in"
        if came_in != (route in admitted) or (not came_in and status != turned_away):
            wrong.append((route, status))
    return wrong


def test_every_route_stands_in_the_table(peopled: House) -> None:
    assert routes_of(create_app(peopled.parts)) == set(ACCESS)


def test_every_change_knows_who_makes_it(peopled: House) -> None:
    nameless = set()
    for route in create_app(peopled.parts).routes:
        knows = SignedIn in [one.annotation for one in inspect.signature(route.endpoint).parameters.values()]
        nameless |= {f"{method} {route.path}" for method in route.methods - SAFE if not knows}
    assert nameless == CHANGES_NO_RECORD


def test_the_document_is_the_table() -> None:
    assert DOCUMENT.read_text(encoding="utf-8") == document(), "python -m tests.api.access_table > docs/access.md"


@pytest.mark.parametrize("who", EVERYONE)
async def test_who_may_comes_in_and_who_may_not_is_told(who: str, peopled: House) -> None:
    admitted = {route for route, of in ACCESS.items() if who in of}
    assert await not_as_written(peopled, admitted, 401 if who == "n" else 403, NAMES.get(who, "")) == []


@pytest.mark.parametrize("scope", KeyScope)
async def test_a_key_opens_its_own_doors_and_no_other(scope: KeyScope, peopled: House) -> None:
    secret = make_key(peopled.store, "a test's", [scope], "Oda", NOW).secret
    admitted = KEYS[scope] | ADMITTED_TO_ALL
    assert await not_as_written(peopled, admitted, 403, authorization=f"Bearer {secret}") == []
    if scope is KeyScope.WALL:
        assert await not_as_written(peopled, admitted, 401, cookie=f"{WALL_COOKIE}={secret}") == []


def test_a_method_that_a_route_does_not_have_opens_no_more_than_those_that_it_has() -> None:
    opened = []
    for path in {route.split(" ")[1] for route in ACCESS}:
        _method, address, _body = asked(f"GET {path}")
        of = {route.split(" ")[0]: who for route, who in ACCESS.items() if route.split(" ")[1] == path}
        for method in set(METHODS) - set(of):
            right, is_change = right_for(method, address), method not in SAFE
            strangers_may = right is Right.NOTHING and set(of.values()) != {EVERYONE}
            viewers_may = right is Right.SEE and is_change and of.get("POST") != SIGNED_IN
            keys_may = is_change and any(scope_opens(frozenset({one}), method, address) for one in KeyScope)
            if strangers_may or viewers_may or keys_may:
                opened.append((method, path))
    assert opened == []


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
async def test_an_address_that_nobody_wrote_down_is_closed_to_viewers_who_would_change_it(
    method: str, peopled: House
) -> None:
    async with visiting(create_app(peopled.parts), token_for(peopled, "Vera"), **OURS) as client:
        assert (await client.request(method, "/api/v1/something-new")).status_code == 403
    async with visiting(create_app(peopled.parts), **OURS) as client:
        assert (await client.request(method, "/api/v1/something-new")).status_code == 401
