"""The pages of reference checks, as a browser without scripts sees them."""

import html
import re
from datetime import timedelta
from urllib.parse import parse_qs, urlsplit

import pytest

from dashboard.app import create_app
from dashboard.calibration import figure, formula
from tests.builders import stored
from tests.dashboard.glasshouse import NOW, Glasshouse, Visitor

CHANNEL = "/calibration/steady-rel/relative_humidity"
SINCE = (NOW - timedelta(hours=1)).isoformat()
OVER_IODIDE = {"method": "salt", "against": "KI", "since": SINCE, "temperature": "25,0", "minutes": "10"}


def words(page: str) -> str:
    """Return what a page says, without its marks."""
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split()).replace("\N{NO-BREAK SPACE}", " ")


def asked(**fields: str) -> str:
    return "&".join(f"{name}={value}".replace("+", "%2B") for name, value in fields.items())


def test_the_list_names_every_channel_that_can_be_checked_and_no_other(client: Visitor) -> None:
    page = client.get("/calibration")
    links = set(re.findall(r'href="(/calibration/[^"]+)"', page.text))
    assert CHANNEL in links
    assert {link.rsplit("/", 1)[1] for link in links} == {
        "relative_humidity", "air_temperature", "surface_temperature",
    }  # fmt: skip
    assert "never checked" in page.text
    # ±2 %RH of the sheet, no coverage stated: 2·2/√3.
    assert "±2.3\N{NO-BREAK SPACE}%RH" in page.text


def test_an_empty_room_teaches_the_next_step(empty: Visitor) -> None:
    assert "Claim one from its first message" in words(empty.get("/calibration").text)


def test_each_quantity_is_offered_the_references_that_it_can_have(client: Visitor) -> None:
    humid = words(client.get(CHANNEL).text)
    warm = words(client.get("/calibration/steady-air/air_temperature").text)
    assert "Over a saturated salt" in humid
    assert "In melting ice" not in humid
    assert "In melting ice" in warm
    assert "Over a saturated salt" not in warm


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("method=salt&against=NaCl", ("a thick slush", "to the mains", "Local rules come first", "NaCl: Eats metal")),
        ("method=side-by-side", ("a hand's breadth apart", "1.15 times as much")),
        ("method=certificate", ("take their figures as they are written", "What the probe read")),
    ],
)
def test_the_steps_come_with_their_cautions(query: str, said: tuple[str, ...], client: Visitor) -> None:
    page = words(client.get(f"{CHANNEL}?{query}").text)
    for sentence in said:
        assert sentence in page


def mean_of(house: Glasshouse) -> float:
    """Return the mean of the last ten minutes as stored: the last reading is a minute old."""
    return float(stored(house.store, house.channels["steady/relative_humidity"]).value[-9:].mean())


def test_how_it_stands_is_said_honestly(client: Visitor, filled: Glasshouse) -> None:
    late = words(client.get(f"{CHANNEL}?{asked(**OVER_IODIDE)}").text)
    assert "settled The probe has come to rest" in late
    # KI at 25 °C: 68.9 %RH (OIML R 121); the probe reads 65.0.
    assert "It should read 68.9 %RH" in late
    assert f"It reads {mean_of(filled):.1f} %RH, mean of 9 readings in 10 min" in late
    assert f"Correction here +{68.9 - mean_of(filled):.1f} %RH" in late
    early = asked(**OVER_IODIDE | {"since": (NOW - timedelta(minutes=12)).isoformat()})
    panel = client.get(f"/fragments{CHANNEL}?{early}")
    assert 'id="stand"' in panel.text
    assert "still settling" in panel.text
    assert "it has stood there for 12 min, and at least 30 are needed" in panel.text
    unknown = asked(**OVER_IODIDE | {"temperature": ""})
    assert "the probe has no thermometer" in client.get(f"{CHANNEL}?{unknown}").text


def test_now_and_a_local_time_become_an_instant_that_stays(client: Visitor) -> None:
    for field in ("since=now", "since-local=2026-03-10T14:00"):
        answer = client.get(f"{CHANNEL}?method=salt&against=KI&{field}")
        assert answer.status_code == 303
        found = parse_qs(urlsplit(answer.headers["location"]).query)
        assert found == {"method": ["salt"], "against": ["KI"], "since": ["2026-03-10T14:00:00.000Z"]}


def test_a_check_is_entered_told_printed_extended_and_taken_back(house: Glasshouse) -> None:
    visitor = Visitor(create_app(house.parts))
    channel = house.channels["steady/relative_humidity"]
    before = stored(house.store, channel)
    name = "Ana <b>&"
    entered = visitor.post(CHANNEL, data=OVER_IODIDE | {"by": name, "note": "spring"})
    assert (entered.status_code, entered.headers["location"]) == (303, "/reference-checks/1")
    page = visitor.get("/reference-checks/1").text
    assert "<b>&" not in page
    record = words(page)
    for said in (
        "Checked by Ana <b>&", "Note spring", "KI, potassium iodide", "Stood at 68.9 %RH ±",
        "as it was shown until then", "first check", f"The probe read {mean_of(house):.1f} %RH",
        "no certificate of an accredited laboratory", "Stored readings are not changed", "Temperature there 25.00 °C",
        f"off by −{68.9 - mean_of(house):.1f} %RH", f"shown = reading + {68.9 - mean_of(house):.1f} %RH",
    ):  # fmt: skip
        assert said in record
    point = {
        "method": "certificate",
        "against": "no. 12",
        "reference": "31",
        "reads": "30",
        "reference_uncertainty": "1",
    }
    line = visitor.post(CHANNEL, data=point | {"by": "Ana", "extends": "1"})
    assert line.headers["location"] == "/reference-checks/2"
    record = words(visitor.get("/reference-checks/2").text)
    assert "Point 2" in record
    assert "× reading" in record
    assert "Another record came in the place of this one: no. 2" in words(visitor.get("/reference-checks/1").text)
    history = words(visitor.get(CHANNEL).text)
    assert f"read {mean_of(house):.1f} %RH at 68.9 %RH" in history
    wrong = visitor.post("/reference-checks/2/withdraw", data={"confirm": "1"})
    assert (wrong.status_code, "write its number, 2" in wrong.text) == (409, True)
    back = visitor.post("/reference-checks/2/withdraw", data={"confirm": " 2 "})
    assert (back.status_code, back.headers["location"]) == (303, CHANNEL)
    assert "never checked" in words(visitor.get(CHANNEL).text)
    assert "This check was taken back" in words(visitor.get("/reference-checks/2").text)
    now = stored(house.store, channel)
    assert [getattr(now, column).tobytes() for column in ("at", "value", "flags")] == [
        getattr(before, column).tobytes() for column in ("at", "value", "flags")
    ]


@pytest.mark.parametrize(
    ("changes", "status", "said"),
    [
        ({"against": "LiCl"}, 409, "more than the 10 that such an element can need"),
        ({"temperature": "41"}, 409, "the table of KI goes from 15 to 30 °C"),
        ({"temperature": "warm"}, 422, "temperature: "),
        ({"method": "side-by-side", "reference": "66"}, 409, "the uncertainty of the reference is missing"),
        ({"from": "yesterday"}, 422, "expected a date and time"),
        ({"by": "x" * 201}, 422, "by: "),
    ],
)
def test_what_cannot_be_entered_is_said_on_the_page_and_what_was_written_stays(
    changes: dict[str, str], status: int, said: str, client: Visitor
) -> None:
    answer = client.post(CHANNEL, data=OVER_IODIDE | {"by": "Ana", "note": "kept"} | changes)
    assert answer.status_code == status
    assert said in words(answer.text)
    assert 'value="kept"' in answer.text
    assert client.get("/reference-checks/1").status_code == 404


def test_what_has_no_checks_or_is_not_there_is_told(client: Visitor) -> None:
    assert client.get("/calibration/steady-rel/humidity").status_code == 404
    assert client.get("/reference-checks/4711").status_code == 404


@pytest.mark.parametrize(
    ("value", "quantity", "text"),
    [
        (-1.84, "relative_humidity", "−1.8 %RH"),
        (0.1849, "air_temperature", "+0.18 °C"),
        (0.0, "air_temperature", "+0.00 °C"),
    ],
)
def test_a_correction_has_its_sign_and_its_unit(value: float, quantity: str, text: str) -> None:
    assert figure(value, quantity, signed=True).replace("\N{NO-BREAK SPACE}", " ") == text
    assert figure(float("nan"), quantity) == "–"
    assert formula(1.0, value, quantity).replace("\N{NO-BREAK SPACE}", " ") == text
    assert formula(1.0123, value, quantity).startswith("1.012 × reading ")
