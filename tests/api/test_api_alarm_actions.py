from datetime import datetime, timedelta

import httpx
import pytest
from api_room import MINUTE, NOW, House
from sqlmodel import select

from service.alarms.holding import LONGEST_SHELF, end_overdue_holds
from service.alarms.record import Occurrence, record_raised
from service.api.alarm_actions import LONGEST_NOTE, LONGEST_OUT
from service.model import Alarm, Change, table_of

URL = "/api/v1/alarms"
SOMEONE = "someone at this computer"


@pytest.fixture
def hot(house: House) -> int:
    return house.room.alarm("rack-a-1", "basking-overheat", value=41.2, limit=40.0, unit="Cel")


@pytest.fixture
def of_the_room(house: House) -> int:
    return house.room.alarm(None, "room-blackout", place="front", zone=None)


async def do(client: httpx.AsyncClient, alarm: int, verb: str, **sent: object) -> httpx.Response:
    return await client.post(f"{URL}/{alarm}/{verb}", json=sent)


async def state_of(client: httpx.AsyncClient, alarm: int) -> str:
    return (await client.get(f"{URL}/{alarm}")).json()["state"]


async def test_whoever_acknowledges_is_named_with_their_note_and_the_time(
    hot: int, house: House, client: httpx.AsyncClient
) -> None:
    woken = house.parts.wake.count
    alarm = (await do(client, hot, "acknowledge", note="  lamp raised  ")).json()
    assert (alarm["state"], alarm["note"]) == ("acknowledged", "lamp raised")
    assert (alarm["acknowledged_by"], alarm["acknowledged_at"]) == (SOMEONE, "2026-03-10T14:00:00.000Z")
    last = alarm["transitions"][-1]
    assert (last["before"], last["after"], last["by"], last["note"]) == (
        "unacknowledged", "acknowledged", SOMEONE, "lamp raised",
    )  # fmt: skip
    assert house.parts.wake.count > woken


async def test_an_alarm_that_returned_is_over_once_it_is_acknowledged(
    hot: int, house: House, client: httpx.AsyncClient
) -> None:
    with house.store.write() as session:
        session.get_one(Alarm, hot).returned_at = NOW
    house.room.move_alarm(hot, "returned, unacknowledged")
    assert (await do(client, hot, "acknowledge")).json()["state"] == "normal"


@pytest.mark.parametrize(
    ("sent", "until"),
    [
        ({"minutes": 90}, NOW + 90 * MINUTE),
        ({"until": "2026-03-10T16:00:00+01:00"}, NOW + 60 * MINUTE),
    ],
)
async def test_a_shelved_alarm_stays_hidden_until_its_end_and_then_comes_back_unacknowledged(
    sent: dict[str, object], until: datetime, hot: int, house: House, client: httpx.AsyncClient
) -> None:
    assert (await do(client, hot, "shelve", note="new lamp comes", **sent)).json()["state"] == "shelved"
    assert [alarm["id"] for alarm in (await client.get(f"{URL}?state=shelved")).json()["alarms"]] == [hot]
    assert (await client.get(f"{URL}?standing=true")).json()["alarms"] == []
    for now, state in ((until - MINUTE, "shelved"), (until, "unacknowledged")):
        with house.store.write() as session:
            end_overdue_holds(session, now)
        assert await state_of(client, hot) == state


async def test_taking_an_alarm_off_the_shelf_shows_it_again(hot: int, client: httpx.AsyncClient) -> None:
    await do(client, hot, "shelve", minutes=60)
    alarm = (await do(client, hot, "unshelve", note="lamp is here")).json()
    assert alarm["state"] == "unacknowledged"
    assert (alarm["transitions"][-1]["by"], alarm["transitions"][-1]["note"]) == (SOMEONE, "lamp is here")


async def test_out_of_service_holds_back_all_of_an_enclosure_and_what_is_raised_meanwhile(
    hot: int, house: House, client: httpx.AsyncClient
) -> None:
    other = house.room.alarm("rack-a-1", "too-dry", priority="medium", place="rack-a-1/ambient")
    elsewhere = house.room.alarm("rack-a-2", "too-dry", priority="medium", place="rack-a-2/ambient")
    answer = await do(client, hot, "out-of-service", minutes=60, note="cleaning")
    assert answer.json()["state"] == "out of service"
    assert await state_of(client, other) == "out of service"
    assert await state_of(client, elsewhere) == "unacknowledged"
    now = (await client.get("/api/v1/enclosures/rack-a-1/now")).json()
    assert (now["state"], now["word"], now["alarms"]) == ("resting", "resting", [])
    assert now["sentence"] == f"Out of service until 15:00, by {SOMEONE}: cleaning."
    with house.store.write() as session:
        raised = {"raised_at": NOW + MINUTE, "began_at": NOW, "enclosure_id": house.room.enclosures["rack-a-1"]}
        meanwhile = record_raised(session, Occurrence("night-cold", "rack-a-1/ambient", "high", **raised), NOW + MINUTE)
        assert meanwhile
        number = meanwhile.id or 0
    assert await state_of(client, number) == "out of service"
    assert (await do(client, number, "return")).json()["state"] == "unacknowledged"
    assert await state_of(client, hot) == "unacknowledged"
    assert (await client.get("/api/v1/enclosures/rack-a-1/now")).json()["state"] == "act"


@pytest.mark.parametrize(
    ("before", "verb", "sent", "said"),
    [
        ((), "unshelve", {}, "is unacknowledged is not on the shelf"),
        ((), "return", {}, "the enclosure is not out of service"),
        (("acknowledge",), "acknowledge", {}, "an alarm that is acknowledged cannot be acknowledged"),
        (("shelve",), "acknowledge", {}, "an alarm that is shelved cannot be acknowledged"),
        (("shelve",), "shelve", {"minutes": 5}, "an alarm that is shelved cannot be shelved"),
        (("out-of-service",), "out-of-service", {"minutes": 5}, "out of service already"),
        (("out-of-service",), "unshelve", {}, "is out of service is not on the shelf"),
    ],
)
async def test_what_cannot_be_done_in_an_alarms_state_is_refused_and_changes_nothing(
    before: tuple[str, ...], verb: str, sent: dict, said: str, hot: int, client: httpx.AsyncClient
) -> None:
    for earlier in before:
        assert (await do(client, hot, earlier, **({} if earlier == "acknowledge" else {"minutes": 60}))).is_success
    stood = (await client.get(f"{URL}/{hot}")).json()
    answer = await do(client, hot, verb, **sent)
    assert answer.status_code == 409
    assert answer.headers["content-type"] == "application/problem+json"
    assert said in answer.json()["detail"]
    assert (await client.get(f"{URL}/{hot}")).json() == stood


async def test_an_alarm_of_the_whole_room_has_no_enclosure_to_take_out_of_service(
    of_the_room: int, client: httpx.AsyncClient
) -> None:
    answer = await do(client, of_the_room, "out-of-service", minutes=60)
    assert answer.status_code == 409
    assert "is about no single enclosure" in answer.json()["detail"]


@pytest.mark.parametrize("verb", ["acknowledge", "shelve", "unshelve", "out-of-service", "return"])
async def test_an_alarm_that_is_not_there_is_not_found(verb: str, client: httpx.AsyncClient) -> None:
    sent = {"minutes": 60} if verb in {"shelve", "out-of-service"} else {}
    assert (await do(client, 4711, verb, **sent)).status_code == 404


@pytest.mark.parametrize(
    ("verb", "sent"),
    [
        ("acknowledge", {"note": "x" * (LONGEST_NOTE + 1)}),
        ("acknowledge", {"by": "Ana"}),
        ("shelve", {}),
        ("shelve", {"minutes": 0}),
        ("shelve", {"minutes": "60"}),
        ("shelve", {"minutes": 60, "until": "2026-03-10T15:00:00Z"}),
        ("shelve", {"until": "2026-03-10T15:00:00"}),
        ("shelve", {"until": "2026-03-10T14:00:00Z"}),
        ("shelve", {"until": (NOW + LONGEST_SHELF + MINUTE).isoformat()}),
        ("out-of-service", {"until": "2026-03-10T13:59:00Z"}),
        ("out-of-service", {"until": (NOW + LONGEST_OUT + MINUTE).isoformat()}),
    ],
)
async def test_what_cannot_be_meant_is_refused(verb: str, sent: dict, hot: int, client: httpx.AsyncClient) -> None:
    assert (await do(client, hot, verb, **sent)).status_code == 422
    assert await state_of(client, hot) == "unacknowledged"


async def test_the_longest_shelf_is_taken_to_the_minute(hot: int, client: httpx.AsyncClient) -> None:
    assert (await do(client, hot, "shelve", minutes=LONGEST_SHELF // timedelta(minutes=1))).is_success


async def test_an_enclosure_rests_without_an_alarm_and_its_end_can_be_moved_on_record(
    house: House, client: httpx.AsyncClient
) -> None:
    rest = "/api/v1/enclosures/rack-a-1/out-of-service"
    answer = await client.post(rest, json={"until": "2026-03-10T15:00:00Z", "note": "cleaning"})
    assert answer.status_code == 200
    hold = answer.json()
    assert (hold["kind"], hold["enclosure"], hold["until"], hold["by"], hold["note"]) == (
        "out of service", "rack-a-1", "2026-03-10T15:00:00.000Z", SOMEONE, "cleaning",
    )  # fmt: skip
    assert (await client.get("/api/v1/enclosures/rack-a-1/now")).json()["state"] == "resting"
    house.clock[0] = NOW + 30 * MINUTE
    moved = (await client.post(rest, json={"minutes": 60, "note": "new lamp too"})).json()
    assert (moved["id"], moved["until"], moved["note"]) == (hold["id"], "2026-03-10T15:30:00.000Z", "new lamp too")
    with house.store.read() as session:
        (change,) = session.exec(select(Change).where(table_of(Change).c.subject == f"hold {hold['id']}")).all()
    assert (change.by, change.before, change.after) == (
        SOMEONE, {"until": "2026-03-10T15:00:00Z"}, {"until": "2026-03-10T15:30:00Z", "note": "new lamp too"},
    )  # fmt: skip
    assert [one["id"] for one in (await client.get("/api/v1/holds")).json()["holds"]] == [hold["id"]]
    back = "/api/v1/enclosures/rack-a-1/return"
    ended = (await client.post(back, json={"note": "all closed"})).json()
    assert (ended["ended_by"], ended["ended_at"]) == (SOMEONE, "2026-03-10T14:30:00.000Z")
    assert (await client.get("/api/v1/holds")).json()["holds"] == []
    assert (await client.post(back, json={})).status_code == 409
    assert (await client.post("/api/v1/enclosures/nowhere/return", json={})).status_code == 404


@pytest.mark.parametrize("sent", [{}, {"minutes": 0}, {"until": "2026-03-10T13:59:00Z"}, {"minutes": 5, "by": "Ana"}])
async def test_a_rest_without_a_sensible_end_is_refused(sent: dict, client: httpx.AsyncClient) -> None:
    assert (await client.post("/api/v1/enclosures/rack-a-1/out-of-service", json=sent)).status_code == 422
