"""The pages of animals, the journal, clutches, look-backs and comparisons, as a browser without scripts sees them."""

import asyncio
import io
import json
import re
import zipfile
from collections.abc import Iterator
from urllib.parse import quote, urlencode

import httpx
import pypdf
import pytest
from fastapi import FastAPI
from sqlmodel import select

from dashboard.app import create_app
from dashboard.headers import STRICT_POLICY
from service.model import PinnedSpan
from tests.dashboard.glasshouse import HOSTILE, Glasshouse
from tests.dashboard.past_room import past_room

LIZARD = "Lacerta exempli"
SPAN = "from=2026-03-10&to=2026-03-20"


class Keeper:
    """Looks at pages and sends their forms."""

    def __init__(self, app: FastAPI) -> None:
        self._app = app

    def ask(self, method: str, path: str, **sent: str) -> httpx.Response:
        async def ask() -> httpx.Response:
            transport = httpx.ASGITransport(self._app)
            async with httpx.AsyncClient(transport=transport, base_url="http://wardian.test") as client:
                return await client.request(method, path, data=sent or None)

        return asyncio.run(ask())

    def see(self, path: str, status: int = 200) -> str:
        answer = self.ask("GET", path)
        assert answer.status_code == status, answer.text[:300]
        return answer.text

    def send(self, path: str, **sent: str) -> str:
        """Return the page that a form leads to."""
        answer = self.ask("POST", path, **sent)
        assert answer.status_code == 303, answer.text[:2000]
        return self.see(answer.headers["location"].partition("#")[0])

    def refused(self, path: str, status: int, **sent: str) -> str:
        answer = self.ask("POST", path, **sent)
        assert answer.status_code == status, answer.text[:300]
        found = re.search(r'<p class="went-wrong" role="alert">(.*?)</p>', answer.text)
        assert found is not None
        return found[1]


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Glasshouse]:
    room = past_room(tmp_path_factory.mktemp("lives"))
    yield room
    room.store.close()


@pytest.fixture(scope="module")
def keeper(house: Glasshouse) -> Keeper:
    return Keeper(create_app(house.parts))


@pytest.fixture(scope="module")
def amber(keeper: Keeper) -> str:
    """Return the address of an animal that lives where there is a past."""
    first = {"name": "Amber", "species": LIZARD, "enclosure": "long", "since": "2026-02-27T00:00"}
    page = keeper.send("/animals", **first)
    assert "<h1>Amber</h1>" in page
    return "/animals/Amber"


def test_a_room_without_animals_says_that_none_is_needed(past_house: Glasshouse) -> None:
    keeper = Keeper(create_app(past_house.parts))
    for path in ("/animals", "/clutches", "/journal", "/look-back", "/compare"):
        assert "<h1>" in keeper.see(path)
    assert "No animal was entered yet, and none is needed" in keeper.see("/animals")
    assert "No clutch was entered yet" in keeper.see("/clutches")
    assert "there is no animal" in keeper.see("/animals/Nobody", 404).lower()


def test_one_key_notes_a_feeding_and_another_takes_it_back(keeper: Keeper, amber: str) -> None:
    page = keeper.send(f"{amber}/notes", kind="fed")
    assert "Noted: <b>fed</b>, 13:00." in page
    number = re.search(r'action="/journal/(\d+)"><input type="hidden" name="back" value="/animals/Amber"><button', page)
    assert number is not None
    page = keeper.send(f"/journal/{number[1]}", do="withdraw", back=amber)
    assert "Nothing was noted yet." in page


def test_a_move_and_its_correction_show_both_versions(keeper: Keeper, amber: str) -> None:
    page = keeper.send(f"{amber}/moves", enclosure="new", since="2026-03-31T10:00")
    assert "moved" in page
    number = re.findall(r"/animals/Amber/housings/(\d+)", page)[0]
    page = keeper.send(f"{amber}/housings/{number}", enclosure="new", since="2026-04-01T10:00", until="")
    assert 'class="housing is-past"' in page
    assert "replaced by" in page
    said = keeper.refused(f"{amber}/moves", 409, enclosure="long", since="2026-03-01T10:00")
    assert said == "Nothing was changed: Amber moved at or after that time already; correct that housing instead."
    assert "is no time" in keeper.refused(f"{amber}/moves", 422, enclosure="long", since="yesterday")
    keeper.send(f"{amber}/housings/{int(number) + 1}", do="withdraw")


@pytest.mark.parametrize("said", ["inf", "-Infinity", "nan", "1e999", "twelve"])
def test_what_is_no_number_on_a_scale_is_refused_in_a_sentence(keeper: Keeper, amber: str, said: str) -> None:
    assert "is no number" in keeper.refused(f"{amber}/look-back-days", 422, kind="illness", days=said)


def test_an_illness_gives_the_look_back_and_pins_the_readings(keeper: Keeper, amber: str, house: Glasshouse) -> None:
    page = keeper.send(f"{amber}/notes", kind="illness", at="2026-03-30T08:00", note=HOSTILE)
    assert "Look back 42 days" in page
    assert "A sick animal needs a veterinarian" in page
    assert HOSTILE not in page
    with house.store.read() as session:
        pins = session.exec(select(PinnedSpan)).all()
    assert [(pin.enclosure_id, pin.reason) for pin in pins] == [(1, "ill: Amber, 2026-03-30")]
    page = keeper.send(f"{amber}/look-back-days", kind="illness", days="20")
    assert "Look back 20 days" in page
    start = keeper.see("/look-back")
    assert HOSTILE not in start
    line = re.search(r'aria-label="(Amber, the last 90 days: [^"]*)".*?</svg></div>', start, re.DOTALL)
    assert line
    assert line[1].startswith("Amber, the last 90 days: lived in ")
    assert re.search(r"; ill on \d+ [A-Z][a-z]+$", line[1])
    assert (line[0].count('class="event-mark"'), 'class="home-name"' in line[0]) == (1, True)
    assert '<a href="/look-back?animal=Amber">Amber' in start
    (link,) = re.findall(r'<a class="button" href="(/look-back\?animal=Amber[^"]*)">Look back 20 days', start)
    assert "from=2026-03-10&amp;to=2026-03-30" in link
    assert "look back 1 to 730 days" in keeper.refused(f"{amber}/look-back-days", 422, kind="illness", days="0")


def test_the_report_stands_on_screen_and_its_days_lead_to_their_readings(keeper: Keeper, amber: str) -> None:
    answer = keeper.ask("GET", f"/look-back?animal=Amber&{SPAN}")
    assert answer.headers["content-security-policy"] == STRICT_POLICY
    page = answer.text
    assert amber.endswith("Amber")
    assert "makes no diagnosis" in page
    assert "Outside the profile" in page
    days = set(re.findall(r'href="(/enclosures/long/days/2026-03-\d\d)"', page))
    assert len(days) == 11
    assert "Checks" in keeper.see(min(days))
    assert page.count("<svg xmlns") == 2
    assert not re.search(r"<style|style=|<script>", page)


@pytest.mark.parametrize("form", ["pdf", "html", "json", "csv", "text"])
def test_files_come_from_the_page(keeper: Keeper, amber: str, form: str) -> None:
    answer = keeper.ask("GET", f"/look-back/report.{form}?kind=animal&name=Amber&{SPAN}")
    assert answer.status_code == 200
    assert amber
    assert answer.headers["content-disposition"].startswith('attachment; filename="look-back-Amber-2026-03-21')
    looks = {"pdf": b"%PDF", "html": b"<!doctype html>", "json": b"{", "csv": b"PK", "text": b"Look-back: Amber"}
    assert answer.content.startswith(looks[form])
    if form == "csv":
        with zipfile.ZipFile(io.BytesIO(answer.content)) as bundle:
            assert bundle.testzip() is None
            assert json.loads(bundle.read("report.json"))["subject"]["animal"] == "Amber"


def test_a_look_back_of_an_enclosure_and_letter_paper(keeper: Keeper) -> None:
    query = urlencode({"kind": "enclosure", "name": "long", "from": "2026-03-10", "to": "2026-03-12"})
    answer = keeper.ask("GET", f"/look-back/report.pdf?{query}&paper=us-letter")
    assert pypdf.PdfReader(io.BytesIO(answer.content)).pages[0].mediabox[2] == pytest.approx(612, abs=1)
    page = keeper.see(f"/look-back?of=enclosure:long&{SPAN}")
    assert "&lt;script&gt;" in page


@pytest.mark.parametrize(
    ("query", "status", "said"),
    [
        ("animal=Nobody", 404, "There is no animal"),
        ("of=animal:Amber&from=2026-03-20&to=2026-03-10", 422, "is not before to"),
        ("of=enclosure:long&from=never", 422, "is no date"),
    ],
)
def test_what_cannot_be_looked_back_at_is_said_on_the_page(
    keeper: Keeper, amber: str, query: str, status: int, said: str
) -> None:
    assert amber
    assert said in keeper.see(f"/look-back?{query}", status)


def test_a_clutch_is_entered_moved_and_fails(keeper: Keeper, amber: str, house: Glasshouse) -> None:
    terms = {"eggs": "8", "base": "15,0", "needed_low": "150", "needed_high": "180", "basis": "made up"}
    new = {"name": "Eggs 琥珀", "species": LIZARD, "mother": "Amber", "laid": "2026-03-20T09:00", "enclosure": "long"}
    page = keeper.send("/clutches", zone="ambient", **new, **terms)
    assert "8 eggs laid on 20 March 2026" in page
    assert re.search(r"Hatching expected \d to \d+ April 2026", page)
    address = f"/clutches/{quote('Eggs 琥珀')}"
    assert amber
    page = keeper.send(f"{address}/correct", laid="2026-03-20T09:00", **(terms | {"eggs": "7"}))
    assert "7 eggs laid" in page
    assert "of 7 eggs cannot be" in keeper.refused(f"{address}/outcome", 422, outcome="hatched", hatched="9", at="")
    page = keeper.send(f"{address}/outcome", outcome="failed", hatched="0", at="2026-04-02T10:00", note="cold")
    assert "failed on 2 April 2026, after 13 days: 0 of 7" in page
    with house.store.read() as session:
        assert "clutch failed: Eggs 琥珀, 2026-04-02" in {pin.reason for pin in session.exec(select(PinnedSpan))}
    assert 'href="/look-back?clutch=Eggs+%E7%90%A5%E7%8F%80">Look back since it was laid' in keeper.see("/look-back")
    assert "Record of the clutch corrected" in keeper.see(f"/look-back?clutch={quote('Eggs 琥珀')}")


def test_two_sides_stand_on_one_chart_with_what_differs_most(keeper: Keeper) -> None:
    page = keeper.see(f"/compare?a=long&b=-before&{SPAN}")
    assert "10 to 20 March 2026" in page
    assert "27 February to 9 March 2026" in page
    assert "What differs most" in page
    # The lamp was dead on one of these days: that spot differs most of all.
    first = re.search(r'<tbody><tr><th scope="row">(.*?)</th>', page)
    assert first is not None
    assert first[1].startswith("Basking spot, highest of a day")
    assert "Nothing is measured in the same zone on both sides" in keeper.see(f"/compare?a=long&b=new&{SPAN}")
    assert "choose two enclosures" in keeper.see(f"/compare?a=long&b=long&{SPAN}", 422).lower()


def test_the_journal_lists_what_concerns_enclosures_too(keeper: Keeper) -> None:
    page = keeper.send("/journal", kind="lamp-changed", enclosure="long", note="100 W")
    assert "lamp changed" in page
    assert "100 W" in page
    assert '<a href="/animals" aria-current="page">' in page
    # A day stands once, and with it who noted all of it.
    assert page.count("Thursday 2 April") == 1
    assert page.count("someone at this computer") == page.count('class="journal-day"')
    assert "choose one" in keeper.refused("/journal", 422, kind="note", note="x", enclosure="")
