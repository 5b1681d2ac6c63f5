"""Hostile texts through every field, and then every page, file, mail and table: nothing runs, breaks out or is lost."""

import csv
import io
import json
import re
import tomllib
import zipfile
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import product
from pathlib import Path
from urllib.parse import quote
from xml.etree import ElementTree as ET
from zoneinfo import ZoneInfo

import httpx
import pytest
import sqlalchemy as sa
from playwright.sync_api import Browser
from pypdf import PdfReader

from service.alarms.record import Occurrence, record_raised
from service.api.live import live_position
from service.ingest.arrivals import Arrival
from service.ingest.csv_files import import_csv
from service.ingest.intake import Intake
from service.main_telling import wordings
from service.model import Alarm, Contact, Enclosure, Person, ProfileVersion, Site, to_ms
from service.notify.composing import told_of_alarm
from service.notify.messages import Frame, message_of
from service.notify.routes.route import route_of
from service.notify.trying import send_test
from service.people.passwords import NOBODYS, kept
from service.people.roles import Role
from service.people.signing_in import open_session
from service.store.animals import add_animal
from service.store.readings import next_number
from service.store.spreadsheets import defused
from tests.api.access_table import ACCESS
from tests.browser.conftest import Server, chromium
from tests.dashboard.glasshouse import Glasshouse, glasshouse
from tests.faults.injection_house import ATTRIBUTE, FORMULAS, HOSTILE, TAG, TRIED, PageRead, Walker
from tests.notify.receivers import Mailbox

__all__ = ["chromium"]
TEXTS = HOSTILE | FORMULAS
WORDS = frozenset(piece for route in ACCESS for piece in route.split(" ")[1].split("/") if "{" not in piece)
PASSWORD = "nine dry stones"  # noqa: S105 - of nobody
STARTS = ("/", "/journal", "/animals", "/clutches", "/care", "/probes", "/people", "/people/keys")
QUERY = (
    "q", "from", "to", "of", "animal", "clutch", "enclosure", "kind", "name", "enclosures", "state", "priority",
    "zone", "quantity", "points", "theme", "width", "paper", "cursor", "probe", "days", "shown", "compare",
)  # fmt: skip
NAMES = ("name", "markup", "path", "script address", "right to left", "formula", "minus", "at")
"""What the eight enclosures are called."""
NAMED = ("name", "formula")
"""What animals are called: a name of theirs holds no stroke."""
HEAD = {"Subject", "From", "To", "Date", "Message-ID", "Auto-Submitted", "X-Priority", "Content-Type",
        "Content-Transfer-Encoding", "MIME-Version", "X-Peer"}  # fmt: skip
"""What a mail's head may hold."""
LABEL = {"svg", "path", "rect", "title", "g", "text", "tspan"}
FORMULA = re.compile(r"[\s\u202a-\u202e\u2066-\u2069\u200e\u200f]*[=+\-@|%＝＋－＠]|[\t\r\n]")


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Glasshouse]:
    """A room whose site, enclosures, profile and contact are called by hostile texts, however they came there."""
    made = glasshouse(tmp_path_factory.mktemp("injected"), datetime.now(UTC).replace(microsecond=0), days=0.3)
    with made.store.write() as session:
        version = session.get_one(ProfileVersion, 1)
        targets = [{"low": None, "high": None, "share": None} | one for one in version.body["target"]]
        version.body = {"target": targets, "season": [], "notes": HOSTILE["markup"]}
        owner = {"name": "Oda", "key": "oda", "role": Role.OWNER, "password": NOBODYS}
        session.add(Person(**owner, made_at=made.clock[0], made_by="a test"))
        for name in NAMED:
            add_animal(session, HOSTILE[name], HOSTILE[name], 1, "a test", made.clock[0])
    _name_all(made)
    intake, now_ms = Intake(made.store, 500), to_ms(made.clock[0])
    topics = [text for text in TEXTS.values() if len(text) < 1_000 and "\0" not in text]
    arrivals = [
        Arrival(f"p/{topic}", f'{{"t": 21.5, "{number}": {text!r}}}'.encode(), number, 1, False, False, now_ms)
        for number, (topic, text) in enumerate(zip(topics, reversed(topics), strict=True))
    ]
    intake.take(arrivals, "hostile")
    yield made
    made.parts.wake.close()
    made.store.close()


@pytest.fixture(scope="module")
def server(house: Glasshouse) -> Iterator[Server]:
    running = Server(house)
    running.start()
    yield running
    house.parts.wake.close()
    running.stop()


@pytest.fixture(scope="module")
def client(server: Server, house: Glasshouse) -> Iterator[httpx.Client]:
    cookies = {"wardian": _token(house)}
    headers = {"origin": server.url}
    with httpx.Client(base_url=server.url, timeout=60, headers=headers, cookies=cookies) as opened:
        yield opened


@pytest.fixture(scope="module")
def walker(client: httpx.Client) -> Walker:
    """The pages after every form on them was filled with every hostile text."""
    first = Walker(client, WORDS, each=1)
    first.walk(*STARTS)
    sent = list(first.fill(TAKE_TEXT))
    answered = Counter(kind for kind, _name, status in sent if status < httpx.codes.BAD_REQUEST)
    first.wrong.extend((kind, "took a NUL") for kind, name, status in sent if (name, status == 422) == ("nul", False))
    first.wrong.extend((kind, "took none") for kind in TAKE_TEXT if not answered[kind])
    second = Walker(client, WORDS, wrong=first.wrong, forms=first.forms, sent=len(sent))
    second.walk(*STARTS)
    return second


def _name_all(house: Glasshouse) -> None:
    with house.store.write() as session:
        session.get_one(Site, 1).name = HOSTILE["markup"]
        for number, name in enumerate(NAMES, 1):
            session.get_one(Enclosure, number).name = TEXTS[name]
        next_number(session, "facts")


def _token(house: Glasshouse) -> str:
    with house.store.write() as session:
        return open_session(session, 1, house.clock[0])


TAKE_TEXT = ("post /animals", "post /clutches", "post /journal", "post /care/tasks", "post /enclosures/*/notes",
             "post /set-up/site", "post /people/keys", "post /people/invitations", "get /search")  # fmt: skip


@pytest.mark.parametrize("name", ["markup", "name"])
@pytest.mark.parametrize("written", ["<p>{}</p>", '<p title="{}">', "<p title='{}'>", '<a href="{}">'])
def test_the_sweep_sees_a_text_that_was_written_as_it_came(name: str, written: str) -> None:
    assert PageRead(written.format(HOSTILE[name])).foreign != []


def test_no_page_is_broken_out_of_whatever_its_forms_were_given(walker: Walker) -> None:
    assert walker.wrong == []
    assert (len(walker.pages) > 50, walker.sent > 100) == (True, True), "little was seen"
    for path in ("/animals", "/clutches", "/care", "/people/keys", "/probes", "/journal", "/"):
        assert HOSTILE["name"] in "\n".join(PageRead(walker.pages[path].text).said), f"{path}: not as it was written"


def test_what_the_live_stream_says_is_one_line_and_a_browser_that_hears_it_runs_nothing(
    chromium: Browser, server: Server, client: httpx.Client, house: Glasshouse
) -> None:
    page = chromium.new_page()
    page.context.add_cookies([{"name": "wardian", "value": client.cookies["wardian"], "url": server.url}])
    page.goto(f"{server.url}/alarms", wait_until="load")
    with house.store.read() as session:
        before = live_position(session)
    said: list[str] = []
    for number, text in enumerate(TEXTS.values()):
        place, at = f"hot/basking/{number}", house.clock[0]
        with house.store.write() as session:
            cause = f"{text} heard live {number}"
            alarm = record_raised(session, Occurrence("basking-cold", place, "low", at, at, 1, cause=cause), at)
        sent = client.post(f"/api/v1/alarms/{alarm.id if alarm else 0}/acknowledge", json={"note": text})
        assert sent.status_code in {200, 204, 422}, sent.text
        said += [cause.strip()] if sent.status_code == 422 else [cause.strip(), text.strip()]
    house.parts.wake.notify()
    heard: list[str] = []
    with client.stream("GET", "/api/v1/live", params={"after": before}) as stream:
        for line in stream.iter_lines():
            assert re.match(r"$|(id|event|data|retry|): ?", line), "a line of its own"
            change = json.loads(line[6:]).get("transition", {}) if line.startswith("data: {") else {}
            heard += [change["note"].strip()] if change.get("note") else []
            if len(heard) == len(said):
                break
    assert [one.replace("\r\n", "\n") for one in said] == [one.replace("\r\n", "\n") for one in heard]
    page.get_by_text(f"heard live {len(TEXTS) - 1}").first.wait_for(state="attached")
    assert page.evaluate("[window.ran, document.querySelectorAll('hostile-tag').length]") == [None, 0]
    page.close()


def test_a_real_browser_finds_nothing_foreign_and_runs_nothing(
    walker: Walker, chromium: Browser, server: Server
) -> None:
    page, complaints = chromium.new_page(), []
    page.context.add_cookies([{"name": "wardian", "value": walker.client.cookies["wardian"], "url": server.url}])
    page.on("console", lambda said: complaints.append(said.text) if "Content Security" in said.text else None)
    page.goto(f"{server.url}/journal", wait_until="domcontentloaded")
    bodies = {where: one.text for where, one in walker.pages.items() if "html" in one.headers["content-type"]}
    found = page.evaluate(
        """([pages, wrong]) => Object.entries(pages).filter(([, text]) => {
            const read = new DOMParser().parseFromString(text, "text/html");
            const all = [...read.querySelectorAll("*")];
            return read.querySelector(wrong) || all.some(one => [...one.attributes].some(a => a.name.startsWith("on")));
        }).map(([where]) => where)""",
        [bodies, f"{TAG}, [{ATTRIBUTE}], script:not([src^='/static/']):not([type='application/json'])"],
    )
    assert found == []
    for path in ("/", "/enclosures/steady", "/animals", "/probes"):
        page.goto(f"{server.url}{path}", wait_until="load")
        assert page.evaluate("[window.ran, document.querySelectorAll('hostile-tag').length]") == [None, 0], path
    page.close()
    assert complaints == [], "nothing was even tried"


def test_addresses_and_queries_are_looked_at_as_text(client: httpx.Client, house: Glasshouse) -> None:
    wrong = Walker(client, WORDS)
    asked = [route.removeprefix("GET ") for route in ACCESS if route.startswith("GET ")]
    # The live stream has no end, and the description of the interface is made of no text of anybody's.
    for route in (route for route in asked if not route.endswith(("/live", "/openapi.json"))):
        for name in TRIED:
            text = HOSTILE[name]
            address = re.sub(r"\{[^}]+\}", lambda _found, given=text: quote(given, safe=""), route)
            answer = client.get(address, params=dict.fromkeys(QUERY, text))
            wrong.look_at(f"{route} {name}", answer)
            if name == "nul" and answer.status_code != httpx.codes.UNPROCESSABLE_ENTITY:
                wrong.wrong.append((route, f"a NUL came in: {answer.status_code}"))
    assert wrong.wrong == []
    with house.store.read() as session:
        assert session.execute(sa.text("SELECT count(*) FROM reading")).scalar_one() > 1_000


def test_the_json_interface_keeps_a_text_as_it_was_written_or_says_why_not(client: httpx.Client) -> None:
    for name, text in TEXTS.items():
        sent = client.post("/api/v1/journal", json={"kind": "note", "enclosure": "steady", "note": text})
        if sent.status_code != httpx.codes.CREATED:
            assert (name in {"nul", "long"}, sent.status_code) == (True, 422), name
            continue
        entry = client.get("/api/v1/journal").json()["entries"][0]
        assert entry["note"] == text.strip().replace("\r\n", "\n"), name
    assert client.post("/api/v1/journal", content=rb'{"note": "\\u0000"}').status_code != 500


def test_files_have_names_that_are_names_and_tables_whose_texts_are_texts(client: httpx.Client) -> None:
    for text in TEXTS.values():
        client.post("/api/v1/journal", json={"kind": "note", "enclosure": "steady", "note": text})
    asked = [{"kind": "animal", "name": HOSTILE[name]} for name in NAMED] + [{"kind": "enclosure", "name": "steady"}]
    tables: dict[str, str] = {}
    for query in asked:
        answer = client.get("/look-back/report.csv", params=query)
        assert answer.status_code == 200, query
        wanted = r"attachment; filename=\"[\w.-]+\.zip\"; filename\*=UTF-8''[A-Za-z0-9._~%-]+\.zip"
        assert re.fullmatch(wanted, answer.headers["content-disposition"], re.ASCII)
        with zipfile.ZipFile(io.BytesIO(answer.content)) as bundle:
            names = bundle.namelist()
            tables = {name: bundle.read(name).decode() for name in names if name.endswith(".csv")}
        assert all(re.fullmatch(r"[A-Za-z0-9]+(\.\w+)?", name) for name in names)
        for name, text in tables.items():
            rows = list(csv.reader(io.StringIO(text, newline="")))
            assert {len(row) for row in rows} == {len(rows[0])}, name
            assert [cell for row in rows for cell in row if FORMULA.match(cell) and not _is_number(cell)] == [], name
    written = {row[7] for row in csv.reader(io.StringIO(tables["journal.csv"], newline=""))}
    for name in TEXTS.keys() - {"nul", "long"}:
        assert defused(TEXTS[name].strip().replace("\r\n", "\n")) in written, name


def test_reports_labels_and_the_room_file_hold_the_texts_and_nothing_that_runs(
    client: httpx.Client, house: Glasshouse
) -> None:
    _name_all(house)
    of = {"kind": "enclosure", "name": "steady"}
    html = client.get("/look-back/report.html", params=of).text
    assert PageRead(html).foreign == []
    assert HOSTILE["name"] in "\n".join(PageRead(html).said)
    pdf = PdfReader(io.BytesIO(client.get("/look-back/report.pdf", params=of).content))
    assert "hostile-tag" in "".join(page.extract_text() for page in pdf.pages).replace("\n", "")
    assert not {"/OpenAction", "/AA", "/AcroForm"} & set(pdf.root_object)
    assert "/JavaScript" not in str(pdf.root_object.get("/Names", ""))
    for number in range(1, len(NAMES) + 1):
        label = client.get(f"/labels/{number}.svg")
        if label.status_code == httpx.codes.OK:
            drawn = ET.fromstring(label.text).iter()  # noqa: S314 - our own
            assert {one.tag.rpartition("}")[2] for one in drawn} <= LABEL
    room = tomllib.loads(client.get("/set-up/room.toml").text)
    named = {one["name"] for one in room["enclosure"]}
    assert {TEXTS[name] for name in NAMES} <= named


def test_a_mails_head_is_ours_whatever_stands_in_a_name(house: Glasshouse) -> None:
    at, zone = datetime.now(UTC), ZoneInfo("Europe/Lisbon")
    with Mailbox() as mailbox:
        with house.store.write() as session:
            session.add(Contact(name="Ana", route=mailbox.route, priority="low"))
            session.flush()
            alarm, contact = session.get_one(Alarm, 1), session.execute(sa.text("SELECT max(id) FROM contact")).scalar()
        for text in HOSTILE.values():
            with house.store.write() as session:
                session.get_one(Site, 1).name = text
                session.get_one(Contact, contact).name = text
                session.get_one(Enclosure, alarm.enclosure_id).name = text
                next_number(session, "facts")
            assert send_test(house.store, text, text, at, "").failed is None
            with house.store.read() as session:
                told = told_of_alarm(house.parts.facts(session), alarm, "raised", wordings())
            route_of(mailbox.route).send(message_of([told], Frame(at, zone, text)), 10)
    assert len(mailbox.mails) == 2 * len(HOSTILE)
    for mail in mailbox.mails:
        assert set(mail.keys()) <= HEAD
        assert mail["To"] == "keeper@example.org"


def test_what_an_import_refuses_is_no_formula_in_the_table_of_it(house: Glasshouse, tmp_path: Path) -> None:
    file = tmp_path / "old.csv"
    with file.open("w", encoding="utf-8", newline="") as written:
        writer = csv.writer(written)
        writer.writerow(("time", "probe", "quantity", "value"))
        writer.writerows((text, text, text, text) for text in TEXTS.values())
    done = import_csv(house.store, file, lambda _read: None)
    assert (done.taken, done.refused) == (0, len(TEXTS))
    assert done.rejected_file is not None
    with done.rejected_file.open(encoding="utf-8", newline="") as refused:
        rows = list(csv.reader(refused))[1:]
    assert [cell for row in rows for cell in row if FORMULA.match(cell)] == []
    assert [row[2] for row in rows] == [defused(",".join([text] * 4)) for text in TEXTS.values()]


def test_the_doors_take_a_text_as_a_text_and_lead_nowhere_else(
    walker: Walker, server: Server, house: Glasshouse
) -> None:
    with house.store.write() as session:
        kim = {"name": "Kim", "key": "kim", "role": Role.KEEPER, "password": kept(PASSWORD, b"s" * 16)}
        session.add(Person(**kim, made_at=house.clock[0], made_by="a test"))
    with httpx.Client(base_url=server.url, timeout=60, headers={"origin": server.url}) as stranger:
        doors = Walker(stranger, WORDS)
        for name in ("header", "markup", "name"):
            text = HOSTILE[name]
            doors.look_at("sign in", stranger.post("/sign-in", data=dict.fromkeys(("name", "password", "to"), text)))
            doors.look_at("to", stranger.get("/sign-in", params={"to": text}))
            doors.look_at(
                "invited", stranger.post("/invitation", data=dict.fromkeys(("name", "secret", "password"), text))
            )
        for to in (
            HOSTILE["header"],
            HOSTILE["script address"],
            "//elsewhere.test",
            "/\\elsewhere.test",
            "/\t/elsewhere.test",
        ):
            answer = stranger.post("/sign-in", data={"name": "Kim", "password": PASSWORD, "to": to})
            assert answer.status_code == 303
            doors.look_at(f"to {to}", answer)
        for name in ("nul", "markup"):
            text = HOSTILE[name]
            doors.look_at("my password", stranger.post("/my-password", data={"old": text, "password": text}))
            doors.look_at("mine", stranger.post("/my-password", data={"old": PASSWORD, "password": text, "again": "x"}))
    owners = Walker(walker.client, WORDS)
    for route, name in product(sorted(ACCESS), ("nul", "markup")):
        if route.startswith("POST ") and re.search(r"/(withdraw|remove|revoke|end)$", route):
            address = re.sub(r"\{[^}]+\}", quote(HOSTILE[name], safe=""), route.removeprefix("POST "))
            sent = walker.client.post(address, data=dict.fromkeys(("confirm", "name", "note", "back"), HOSTILE[name]))
            owners.look_at(f"{route} {name}", sent)
            assert sent.status_code not in {httpx.codes.OK, httpx.codes.NO_CONTENT}, route
    assert doors.wrong + owners.wrong == []


def test_the_first_owner_may_be_called_anything(server: Server, house: Glasshouse) -> None:
    with house.store.write() as session:
        session.execute(sa.text("DELETE FROM session"))
        session.execute(sa.text("DELETE FROM person"))
    with httpx.Client(base_url=server.url, timeout=60, headers={"origin": server.url}) as first:
        read = Walker(first, WORDS)
        for name in ("nul", "header", "markup", "name", "formula"):
            sent = {"name": HOSTILE[name], "password": PASSWORD, "again": PASSWORD}
            answer = first.post("/first-owner", data=sent)
            read.look_at(f"first owner {name}", answer)
            assert answer.status_code == (303 if name == "formula" else 422), name
        read.walk("/people", "/my-password")
        assert read.wrong == []
        assert HOSTILE["formula"] in "\n".join(PageRead(first.get("/people").text).said)


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True
