import asyncio
import re
from datetime import datetime, timedelta
from pathlib import Path

import httpx
import pytest
import sqlalchemy as sa
from api_people import HERE, OURS, PASSWORD, token_for, visiting
from api_room import MINUTE, NOW, House
from starlette.types import Receive, Scope, Send
from typer.testing import CliRunner

from dashboard.app import create_app
from service.api.sign_in import Door
from service.commands_people import account
from service.errors import BadUse, Refused
from service.people.accounts import add_account, change_role, end_account
from service.people.invitations import invite, look_at, take_up, withdraw
from service.people.roles import Doors, Role
from service.people.sessions import BY_ADDRESS, token_digest
from service.people.signing_in import Admitted, TurnedAway, visitor_of
from service.store.engine import Store
from service.store.invitations import open_invitations
from service.store.people import all_people, changes_of_people, sessions_of
from tests.empty_store import sqlite_store

NEW = {"password": "nine dry stones", "again": "nine dry stones"}
ELSEWHERE = "192.0.2.7"


def wait(store: Store, now: datetime = NOW) -> list[str]:
    with store.read() as session:
        return [one.name for one in open_invitations(session, now)]


async def test_who_opens_a_link_chooses_a_password_and_is_in(home: House) -> None:
    app = create_app(home.parts)
    async with visiting(app, token_for(home, "Oda"), **OURS) as owner:
        made = await owner.post("/people/invitations", data={"name": "Ines Sá", "role": "keeper", "days": "3"})
        link = re.search(rf"{HERE}/invitation/([\w-]{{43}})", made.text)
        assert link
        assert "invited 14:00 by Oda; the link works until 13 Mar 14:00" in made.text
    async with visiting(app, **OURS) as guest:
        opened = await guest.get(link[0])
        assert (opened.status_code, opened.headers["location"]) == (303, "/invitation")
        assert {"HttpOnly", "SameSite=lax", "Path=/invitation"} <= set(opened.headers["set-cookie"].split("; "))
        page = (await guest.get("/invitation")).text
        assert "Oda invites you to this room as keeper" in page
        assert link[1] not in page
        assert (await guest.post("/invitation", data=NEW | {"again": "another"})).status_code == 422
        short = await guest.post("/invitation", data={"password": "short", "again": "short"})
        assert "a password has 10 to 200 characters" in short.text
        assert (await guest.post("/invitation", data=NEW)).headers["location"] == "/"
        assert "Ines Sá, keeper" in (await guest.get("/")).text
        assert (await guest.get(link[0])).status_code == 404
    async with visiting(app, token_for(home, "Oda"), **OURS) as owner:
        for path in ("/people", "/people/keys", "/api/v1/tokens"):
            assert link[1] not in (await owner.get(path)).text
        assert "Ines Sá took up the invitation of Oda, keeper" in (await owner.get("/people")).text
        assert "Oda invited Ines Sá, keeper" in (await owner.get("/people")).text
        assert "Ines" not in (await owner.get("/people/keys")).text
    with home.store.read() as session:
        kept = session.execute(sa.text("SELECT * FROM api_token")).all()
    assert token_digest(link[1]) in str(kept)
    assert link[1] not in str(kept)


def test_a_link_that_is_spent_over_withdrawn_or_was_never_made_gets_one_answer(home: House) -> None:
    def made(name: str, by: str = "Oda") -> str:
        return invite(home.store, name, Role.VIEWER, by, NOW, days=1).secret

    add_account(home.store, "Ben", PASSWORD, Role.OWNER, "Oda", NOW)
    spent, withdrawn, replaced = made("Ines"), made("Rui"), made("Ana")
    of_one_who_left, of_one_who_is_no_owner = made("Eve", "Ben"), made("Eva", "Oda")
    assert isinstance(take_up(home.store, spent, PASSWORD, ELSEWHERE, NOW), Admitted)
    with home.store.read() as session:
        number = next(one.id for one in open_invitations(session, NOW) if one.name == "Rui")
    withdraw(home.store, number or 0, "Oda", NOW)
    current = made("Ana")
    assert isinstance(look_at(home.store, current, ELSEWHERE, NOW + timedelta(days=1)), TurnedAway)
    change_role(home.store, "Oda", Role.KEEPER, "Ben", NOW)
    add_account(home.store, "Lea", PASSWORD, Role.OWNER, "Ben", NOW)
    end_account(home.store, "Ben", "Lea", NOW)
    closed = (spent, withdrawn, replaced, of_one_who_left, of_one_who_is_no_owner, current, "never made", "")
    answers = {repr(take_up(home.store, one, PASSWORD, ELSEWHERE, NOW)) for one in closed}
    assert answers == {repr(TurnedAway())}
    assert wait(home.store) == []


async def test_a_link_that_opens_nothing_is_told_the_same_and_after_too_many_even_a_right_one_waits(
    home: House,
) -> None:
    right = invite(home.store, "Ines", Role.VIEWER, "Oda", NOW).secret
    app, said = create_app(home.parts), set()
    async with visiting(app) as client:
        for number in range(BY_ADDRESS.most):
            answer = await client.get(f"/invitation/wrong-{number}")
            said.add((answer.status_code, answer.text))
        assert len(said) == 1
        assert "This link opens nothing. Ask who invited you for another." in next(iter(said))[1]
        closed = await client.get(f"/invitation/{right}")
        assert (closed.status_code, closed.headers["retry-after"]) == (429, "900")
    assert not isinstance(look_at(home.store, right, ELSEWHERE, NOW), TurnedAway), "another address does not wait"


async def test_only_our_own_page_takes_an_invitation_up_and_it_is_no_key(home: House) -> None:
    secret = invite(home.store, "Ines", Role.OWNER, "Oda", NOW).secret
    app = create_app(home.parts)
    async with visiting(app) as client:
        await client.get(f"/invitation/{secret}")
        for forged in ({"origin": "http://elsewhere.test"}, {"sec-fetch-site": "cross-site"}, {"origin": "null"}):
            assert (await client.post("/invitation", data=NEW, headers=forged)).status_code == 403
        object.__setattr__(home.parts, "doors", Doors(opens_as=None))
        for path in ("/api/v1/rooms", "/metrics", "/people", "/wall"):
            assert (await client.get(path, headers={"authorization": f"Bearer {secret}"})).status_code == 401
        assert (await client.get(f"/wall/{secret}")).status_code == 404
    assert wait(home.store) == ["Ines"]


@pytest.mark.parametrize(
    ("name", "days", "reason"),
    [("Kim", 1, Refused), ("the watch", 1, BadUse), ("<b>", 1, BadUse), ("Ana", 0, BadUse), ("Ana", 31, BadUse),
     ("Ana", float("nan"), BadUse)],
)  # fmt: skip
def test_an_invitation_that_cannot_be_is_not_made(name: str, days: float, reason: type, home: House) -> None:
    with pytest.raises(reason):
        invite(home.store, name, Role.KEEPER, "Oda", NOW, days)


async def test_an_owner_withdraws_an_invitation(home: House) -> None:
    invite(home.store, "Ines", Role.VIEWER, "Oda", NOW)
    with home.store.read() as session:
        number = open_invitations(session, NOW)[0].id
    async with visiting(create_app(home.parts), token_for(home, "Oda"), **OURS) as client:
        assert (await client.post("/people/invitations", data={"name": "Ana", "role": "x"})).status_code == 422
        assert (await client.post("/people/invitations", data={"name": "A", "role": "viewer", "days": "²"})).is_error
        assert (await client.post(f"/people/invitations/{number}/withdraw")).status_code == 303
        assert (await client.post(f"/people/invitations/{number}/withdraw")).status_code == 404
        assert "Oda withdrew the invitation of Ines, viewer" in (await client.get("/people")).text


def test_invitations_are_made_listed_and_withdrawn_by_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WARDIAN_DATA", str(tmp_path))
    monkeypatch.setenv("WARDIAN_PUBLIC_URL", "https://wardian.example.org/")
    run = CliRunner().invoke
    assert "wardian account add NAME --role owner" in str(run(account, ["invite", "Kim"]).exception)
    run(account, ["add", "Oda", "--role", "owner"], input=f"{PASSWORD}\n")
    made = run(account, ["invite", "Kim", "--role", "keeper", "--days", "2"])
    assert re.fullmatch(r"https://wardian\.example\.org/invitation/[\w-]{43}\n", made.stdout)
    listed = run(account, ["invitations"]).stdout.splitlines()[1].split()
    assert (listed[1], listed[2], listed[4:7]) == ("Kim", "keeper", ["the", "command", "line"])
    assert run(account, ["withdraw", listed[0]]).stdout == "The invitation of Kim opens nothing any more.\n"
    assert run(account, ["sign-out", "oda"]).exit_code == 0
    store = sqlite_store(tmp_path / "wardian.db")
    with store.read() as session:
        assert {one.by for one in changes_of_people(session, 9)} == {"the command line"}
    store.close()


# Signing out everywhere


def number_of(home: House, token: str) -> int:
    visitor = visitor_of(home.store, token, home.clock[0])
    assert visitor is not None
    return visitor.session_id or 0


async def test_one_sees_where_one_is_signed_in_and_signs_out_there_or_everywhere(home: House) -> None:
    here, phone, other = token_for(home, "Kim"), token_for(home, "Kim"), token_for(home, "Vera")
    home.clock[0] += 20 * MINUTE
    async with visiting(create_app(home.parts), here, **OURS) as client:
        page = (await client.get("/my-password")).text
        assert page.count("Another browser") == 1
        assert re.search(
            r"This browser.*since <time[^>]*>14:00</time>, last seen <time[^>]*>14:20</time>", page, re.DOTALL
        )
        assert (await client.post(f"/my-sessions/{number_of(home, other)}/end")).status_code == 404
        assert (await client.post(f"/my-sessions/{number_of(home, phone)}/end")).headers["location"] == "/my-password"
        assert visitor_of(home.store, phone, home.clock[0]) is None
        wrong = await client.post("/my-password", data={"old": PASSWORD, "password": "short", "again": "short"})
        assert wrong.text.count("Another browser") == 0, "the password that was tried leaves no session behind"
        assert (await client.post("/my-sessions/end")).headers["location"] == "/sign-in"
        assert (await client.get("/my-password")).status_code == 401
    assert visitor_of(home.store, other, home.clock[0]) is not None


async def test_an_owner_signs_somebody_out_everywhere_and_the_record_says_so(home: House) -> None:
    kims = [token_for(home, "Kim"), token_for(home, "Kim")]
    async with visiting(create_app(home.parts), token_for(home, "Oda"), **OURS) as client:
        assert "Signed in with 2 browsers" in (await client.get("/people")).text
        assert (await client.post("/people/sign-out", data={"name": "Kim"})).status_code == 303
        assert (await client.post("/people/sign-out", data={"name": "Kit"})).status_code == 422
        page = (await client.get("/people")).text
        assert "Oda signed Kim out everywhere" in page
        assert "Signed in with 1 browser<" in page
    assert [visitor_of(home.store, one, NOW) for one in kims] == [None, None]
    with home.store.read() as session:
        kim = next(one for one in all_people(session) if one.name == "Kim")
        assert sessions_of(session, kim.id or 0) == []


@pytest.mark.parametrize("ends", ["/sign-out", "/my-sessions/end", "/people/sign-out"])
async def test_a_live_stream_ends_at_once_when_its_visitor_is_signed_out(ends: str, home: House) -> None:
    begun = asyncio.Event()

    async def endless(scope: Scope, receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b"event: pulse", "more_body": True})
        begun.set()
        await asyncio.Event().wait()

    vera, who = token_for(home, "Vera"), "Oda" if ends.startswith("/people") else "Vera"
    async with visiting(Door(endless, home.parts, look_again_s=3_600), vera) as client:
        following = asyncio.create_task(client.get("/api/v1/live"))
        await begun.wait()
        async with visiting(create_app(home.parts), vera if who == "Vera" else token_for(home, who), **OURS) as other:
            assert (await other.post(ends, data={"name": "Vera"})).status_code == 303
        answer: httpx.Response = await asyncio.wait_for(following, 10)
    assert answer.content == b"event: pulse"
