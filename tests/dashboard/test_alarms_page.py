import html
import re
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta

import httpx
import pytest

from dashboard.alarms import PAGE, PAST_PAGE
from dashboard.app import create_app
from service.alarms.holding import Scope, hold_back
from service.alarms.lifecycle import State
from service.alarms.record import WATCH, Deed
from service.model import Alarm, Person
from service.people.signing_in import open_session
from service.store.alarms import get_alarm, list_alarms
from service.store.holds import standing_holds
from service.watch.conditions import HEAT_CAUTION
from tests.dashboard.glasshouse import HOSTILE, NOW, Glasshouse

HERE = "http://wardian.test"
FORM = {"origin": HERE}


@pytest.fixture
async def browser(house: Glasshouse) -> AsyncIterator[httpx.AsyncClient]:
    """A browser without scripts, at this computer."""
    transport = httpx.ASGITransport(create_app(house.parts))
    async with httpx.AsyncClient(transport=transport, base_url=HERE, headers=FORM) as client:
        yield client


def alarm_about(house: Glasshouse, condition: str) -> int:
    with house.store.read() as session:
        return next(alarm.id or 0 for alarm in list_alarms(session) if alarm.condition == condition)


def stored(house: Glasshouse, alarm_id: int) -> Alarm:
    with house.store.read() as session:
        return get_alarm(session, alarm_id)


def cards(page: str) -> list[int]:
    return [int(number) for number in re.findall(r'<li class="alarm [^>]*id="alarm-(\d+)"', page)]


def card(page: str, number: int) -> str:
    found = re.search(rf'<li class="alarm [^>]*id="alarm-{number}".*?</li>', page, re.DOTALL)
    assert found
    return html.unescape(found[0])


def one_more(house: Glasshouse, count: int, **fields: object) -> None:
    """Raise many alarms, each a minute before the last."""
    with house.store.write() as session:
        for number in range(count):
            at = NOW - timedelta(days=1, minutes=number)
            usual = {"condition": "too-wet", "place": f"wet {number}", "priority": "medium", "state": "unacknowledged"}
            session.add(Alarm(**(usual | fields), raised_at=at, began_at=at))


# What stands


async def test_the_oldest_unanswered_alarm_stands_first_and_what_was_acknowledged_last(
    house: Glasshouse, browser: httpx.AsyncClient
) -> None:
    hot, dry, silent = (alarm_about(house, key) for key in ("basking-overheat", "too-dry", "probe-silent"))
    with house.store.write() as session:
        session.get_one(Alarm, hot).raised_at = NOW - timedelta(minutes=3)
        session.get_one(Alarm, silent).raised_at = NOW - timedelta(hours=3)
    assert cards((await browser.get("/alarms")).text) == [silent, dry, hot]
    await browser.post(f"/alarms/{silent}/acknowledge", data={})
    page = (await browser.get("/alarms")).text
    assert cards(page) == [dry, hot, silent]
    assert "2 unacknowledged · 1 acknowledged" in page


async def test_a_card_says_what_where_since_how_bad_why_and_what_to_do(
    house: Glasshouse, browser: httpx.AsyncClient
) -> None:
    said = card((await browser.get("/alarms")).text, alarm_about(house, "basking-overheat"))
    for part in (
        "Basking spot too hot", "Day geckos 2", "Basking spot", "13:48", "stands for 12\xa0min", "42.2\xa0°C",
        "limit 40.0\xa0°C", "lamp too close", "Check the lamp's height", "independent high-limit cut-out",
        "needs a veterinarian", "unacknowledged since 13:49",
    ):  # fmt: skip
        assert part in said, part
    assert "Over the last 24 hours: began 13:48, stands" in said


async def test_the_line_of_an_alarm_spans_the_time_that_it_stood(house: Glasshouse, browser: httpx.AsyncClient) -> None:
    hot = alarm_about(house, "basking-overheat")
    with house.store.write() as session:
        session.get_one(Alarm, hot).began_at = NOW - timedelta(hours=6)
    said = card((await browser.get("/alarms")).text, hot)
    assert '<rect class="stood" x="75.00%" width="25.00%"' in said
    # Lit from 07:30 to 19:30: of the last day yesterday from 14:00 on, and today until now.
    assert re.findall(r'<rect class="lit" x="([\d.]+)%" width="([\d.]+)%"', said) == [
        ("0.00", "22.92"),
        ("72.92", "27.08"),
    ]


async def test_many_alarms_come_in_pages(house: Glasshouse, browser: httpx.AsyncClient) -> None:
    one_more(house, PAGE)
    first, second = [(await browser.get(f"/alarms?page={number}")).text for number in (1, 2)]
    assert (len(cards(first)), len(cards(second))) == (PAGE, 3)
    assert 'href="/alarms?page=2"' in first
    assert 'href="/alarms?page=1"' in second
    assert cards((await browser.get("/alarms?page=99")).text) == cards(second)


async def test_the_past_goes_back_page_by_page_and_says_who_answered(
    house: Glasshouse, browser: httpx.AsyncClient
) -> None:
    one_more(house, PAST_PAGE, state="normal", acknowledged_at=NOW, acknowledged_by="Kim", note=HOSTILE)
    first = (await browser.get("/alarms")).text
    assert "acknowledged by Kim, 14:00" in first
    assert HOSTILE not in first
    assert html.escape(HOSTILE, quote=True).replace("&#x27;", "&#39;").replace("&quot;", "&#34;") in first
    older = re.search(r'href="(/alarms\?before=\d+)#past"', first)
    assert older
    second = (await browser.get(older[1])).text
    assert "Basking spot too cold" in second
    assert "Basking spot too cold" not in first
    assert "Older ones" not in second


async def test_what_one_cause_raised_in_many_places_is_one_line_of_its_day_on_that_days_light(
    house: Glasshouse, browser: httpx.AsyncClient
) -> None:
    began, ended = NOW - timedelta(days=3, hours=2), NOW - timedelta(days=3, hours=1)
    with house.store.write() as session:
        for number in range(1, 4):
            alarm = Alarm(
                condition="probe-silent", place=f"p{number}", priority="medium", state="normal", enclosure_id=number,
                raised_at=began, began_at=began, returned_at=ended,
            )  # fmt: skip
            session.add(alarm)
    page = (await browser.get("/alarms")).text
    day = page.partition('<section class="over-day" aria-label="Saturday 7 March">')[2].partition("</section>")[0]
    assert "3 alarms, 3 answered by nobody" in day
    (line,) = re.findall(r'<li class="over is-medium is-unanswered">.*?</li>', day, re.DOTALL)
    assert " in 3 places: " in line
    assert 'aria-label="On Saturday 7 March: from 12:00 until 13:00"' in line
    assert '<rect class="stood" x="50.00%" width="4.17%"' in line
    # Lit from 07:30 to 19:30, as planned for that day.
    assert '<rect class="lit" x="31.25%" width="50.00%"' in line


# Answering by plain forms


async def test_a_plain_form_acknowledges_and_goes_back_to_where_it_stood(
    house: Glasshouse, browser: httpx.AsyncClient
) -> None:
    hot = alarm_about(house, "basking-overheat")
    assert f'action="/alarms/{hot}/acknowledge"' in (await browser.get("/")).text
    answer = await browser.post(f"/alarms/{hot}/acknowledge", data={"note": " lamp raised ", "back": "/"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    alarm = stored(house, hot)
    assert (alarm.state, alarm.acknowledged_by, alarm.note) == (
        "acknowledged", "someone at this computer", "lamp raised",
    )  # fmt: skip
    room = (await browser.get("/")).text
    assert f'action="/alarms/{hot}/acknowledge"' not in room
    assert "acknowledged by someone at this computer, 14:00" in room


@pytest.mark.parametrize("back", ["https://elsewhere.test/", "//elsewhere.test", "/\\elsewhere.test", ""])
async def test_a_form_never_leads_to_another_host(back: str, house: Glasshouse, browser: httpx.AsyncClient) -> None:
    answer = await browser.post(f"/alarms/{alarm_about(house, 'too-dry')}/acknowledge", data={"back": back})
    assert answer.headers["location"] == "/alarms"


async def test_what_is_shelved_is_listed_with_its_end_and_can_be_taken_off(
    house: Glasshouse, browser: httpx.AsyncClient
) -> None:
    dry = alarm_about(house, "too-dry")
    assert (await browser.post(f"/alarms/{dry}/shelve", data={"minutes": "60", "note": "rebuild"})).status_code == 303
    page = (await browser.get("/alarms")).text
    assert dry not in cards(page)
    assert "1 held back" in page
    held = html.unescape(page[page.index('id="held"') :])
    for part in ("Shelved", ">15:00</time>", "Too dry, Dart frogs 1", "by someone at this computer: rebuild"):
        assert part in held, part
    with house.store.read() as session:
        (hold,) = standing_holds(session)
    assert (await browser.post(f"/holds/{hold.id}/end", data={})).status_code == 303
    assert dry in cards((await browser.get("/alarms")).text)
    assert (await browser.post(f"/holds/{hold.id}/end", data={})).status_code == 409


async def test_what_logic_suppresses_is_listed_and_only_logic_ends_it(
    house: Glasshouse, browser: httpx.AsyncClient
) -> None:
    with house.store.write() as session:
        deed = Deed(WATCH, NOW, NOW, "explained by the blackout")
        hold = hold_back(session, State.SUPPRESSED, Scope("probe-silent", room_id=1), deed, None)
        number = hold.id
    page = (await browser.get("/alarms")).text
    assert "Suppressed by design</b>: Probe silent, in the whole room" in page
    assert f"/holds/{number}/end" not in page
    answer = await browser.post(f"/holds/{number}/end", data={})
    assert answer.status_code == 409
    assert "comes back when its reason has gone" in answer.text


@pytest.mark.parametrize(
    ("path", "sent", "status", "said"),
    [
        ("/alarms/4711/acknowledge", {}, 404, "there is no alarm 4711"),
        ("/alarms/1/shelve", {"minutes": "an hour"}, 422, "expected a whole number, got 'an hour'"),
        ("/alarms/1/shelve", {"minutes": "99999"}, 422, "within the next 7 days"),
        ("/alarms/1/acknowledge", {"note": "x" * 501}, 422, "the note has 501 characters"),
        ("/alarms/2/acknowledge", {}, 409, "an alarm that is normal cannot be acknowledged"),
        ("/enclosures/nowhere/out-of-service", {"until": "2026-03-10T15:00"}, 404, "no enclosure is called"),
        ("/enclosures/hot/out-of-service", {"until": "15 Uhr"}, 422, "is no time"),
        ("/enclosures/hot/return", {}, 409, "is not out of service"),
    ],
)
async def test_what_cannot_be_done_is_said_and_changes_nothing(
    path: str, sent: dict[str, str], status: int, said: str, house: Glasshouse, browser: httpx.AsyncClient
) -> None:
    before = cards((await browser.get("/alarms")).text)
    answer = await browser.post(path, data=sent)
    assert answer.status_code == status
    assert said in html.unescape(answer.text)
    assert cards((await browser.get("/alarms")).text) == before


async def test_what_is_no_form_is_refused(browser: httpx.AsyncClient) -> None:
    assert (await browser.post("/alarms/1/acknowledge", json={})).status_code == 422
    bad = {"content-type": "application/x-www-form-urlencoded"}
    assert (await browser.post("/alarms/1/acknowledge", content=b"note=%ff\xff", headers=bad)).status_code == 422
    assert (await browser.post("/alarms/1/acknowledge", content=b"a=1&" * 50, headers=bad)).status_code == 422


async def test_a_viewer_sees_all_and_is_offered_nothing_to_change(
    house: Glasshouse, browser: httpx.AsyncClient
) -> None:
    with house.store.write() as session:
        person = Person(name="Vera", key="vera", role="viewer", password="", made_at=NOW, made_by="test")
        session.add(person)
        session.flush()
        browser.cookies.set("wardian", open_session(session, person.id or 0, NOW))
    for path in ("/alarms", "/", "/enclosures/hot"):
        page = (await browser.get(path)).text
        assert "Vera, viewer" in page
        assert set(re.findall(r'action="([^"]+)"', page)) == {"/search", "/sign-out", "/degrees"}, path
        assert 'href="/people"' not in page


# Out of service


async def test_an_enclosure_is_taken_out_of_service_from_its_page_and_rests_in_the_room(
    house: Glasshouse, browser: httpx.AsyncClient
) -> None:
    assert 'name="until" value="2026-03-10T15:00"' in (await browser.get("/enclosures/hot")).text
    sent = {"until": "2026-03-10T15:00", "note": "cleaning", "back": "/enclosures/hot"}
    answer = await browser.post("/enclosures/hot/out-of-service", data=sent)
    assert (answer.status_code, answer.headers["location"]) == (303, "/enclosures/hot")
    page = html.unescape((await browser.get("/enclosures/hot")).text)
    assert "Out of service until 15:00, by someone at this computer: cleaning." in page
    room = (await browser.get("/")).text
    assert re.search(r'class="tile is-resting[^"]*" id="tile-hot"', room)
    assert "call-hot" not in room
    assert "Out of service</b> until" in (await browser.get("/alarms")).text
    assert (await browser.post("/enclosures/hot/return", data={})).status_code == 303
    assert 'id="call-hot"' in (await browser.get("/")).text


async def test_until_when_is_meant_in_the_time_of_the_site(house: Glasshouse, browser: httpx.AsyncClient) -> None:
    house.clock[0] = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
    # Lisbon is an hour ahead of UTC in summer.
    await browser.post("/enclosures/hot/out-of-service", data={"until": "2026-07-01T15:00"})
    with house.store.read() as session:
        assert [hold.until_at for hold in standing_holds(session)] == [datetime(2026, 7, 1, 14, 0, tzinfo=UTC)]


# The load, and the trial of another limit


async def test_the_load_page_says_how_much_is_asked_and_leads_to_a_trial(
    house: Glasshouse, browser: httpx.AsyncClient
) -> None:
    page = html.unescape((await browser.get("/alarms/load")).text)
    assert "alarms in " in page
    assert "Basking spot too hot" in page
    assert "well up to 150, at most 300" in page
    # Each that comes often has a day with a mark at the times of day at which it came.
    often = re.search(r'<ol class="actors">(.*?)</ol>', page, re.DOTALL)
    assert often
    lines = re.findall(r'<span class="load-strip">(<svg class="strip load-day".*?</svg>)</span>', often[1])
    assert len(lines) == often[1].count("<h3>") > 0
    assert all('class="lit" x="31.25%" width="50.00%"' in line and 'class="mark is-' in line for line in lines)
    (trial,) = set(re.findall(r'href="(/alarms/load/trial\?enclosure=hot&condition=basking-overheat[^"]*)"', page))
    shown = html.unescape((await browser.get(trial)).text)
    assert re.search(r"At \d\d\.\d\s°C.*: (no|\d+) alarms?", shown)
    assert 'check = "hot-spot-peak"' in shown
    assert HEAT_CAUTION in shown
    refused = await browser.get("/alarms/load/trial?enclosure=hot&condition=probe-silent")
    assert refused.status_code == 422
    assert "has no limit to try" in refused.text
    assert (await browser.get("/alarms/load/trial?enclosure=nowhere&condition=too-dry")).status_code == 404
