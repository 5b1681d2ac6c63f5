from dataclasses import replace
from pathlib import Path

import pytest
from api_people import OURS, PASSWORD, settle, token_for, visiting
from api_room import NOW, House
from typer.testing import CliRunner

from dashboard.app import create_app
from service.cli import app as commands
from service.errors import BadUse, NotFound, Refused, SettingInvalid
from service.main_web import doors_of, require_safe_web
from service.people.accounts import add_account, change_password, change_role, end_account
from service.people.passwords import SHORTEST
from service.people.roles import THE_DEMO, Doors, Role
from service.people.signing_in import sign_in, visitor_of
from service.settings import LOOPBACK, Settings
from service.store.people import changes_of_people
from tests.empty_store import sqlite_store

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
    store = sqlite_store(tmp_path / "wardian.db")
    assert hasattr(sign_in(store, "Kim", "nine dry stones", "192.0.2.7", NOW), "token")
    store.close()
