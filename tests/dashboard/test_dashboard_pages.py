import re
from datetime import timedelta
from html import unescape
from html.parser import HTMLParser

import pytest

from dashboard.app import create_app
from service.model import Alarm
from tests.dashboard.glasshouse import HOSTILE, NOW, Glasshouse, Visitor

PAGES = ("/", "/about", "/enclosures/hot", "/enclosures/nowhere", "/enclosures/steady/table", "/fragments/tiles")


class Elements(HTMLParser):
    """Every start tag of a page, and the text that a person reads."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self.text += " "

    def handle_data(self, data: str) -> None:
        self.text += data


def text_of(page: str) -> str:
    return re.sub(r"\s+", " ", Elements(page).text)


def tile(page: str, key: str) -> str:
    found = re.search(rf'<a class="tile[^>]*id="tile-{key}".*?</a>', page, re.DOTALL)
    assert found, f"no tile for {key}"
    return found.group(0)


@pytest.mark.parametrize(
    ("key", "state", "said"),
    [
        ("steady", "is-steady", "33.5"),
        ("hot", "is-act", "42.2"),
        ("dry", "is-act", "%RH"),
        ("silent", "is-blind", "silent 3 h"),
        ("resting", "is-resting", "no readings"),
    ],
)
def test_a_tile_says_its_state_and_the_figure_that_matters(client: Visitor, key: str, state: str, said: str) -> None:
    found = tile(client.get("/").text, key)
    assert state in found
    assert f"#shape-{state.removeprefix('is-')}" in found
    assert said in unescape(found).replace("\N{NO-BREAK SPACE}", " ")


def test_the_strip_of_an_enclosure_whose_trouble_is_humidity_shows_humidity(client: Visitor) -> None:
    page = client.get("/").text
    assert "strip-water" in tile(page, "dry")
    assert "strip-heat" in tile(page, "hot")


def test_who_needs_someone_comes_first_with_limit_cause_next_step_and_caution(client: Visitor) -> None:
    page = client.get("/").text
    called = page[page.index('id="needs-you"') : page.index('id="wall"')]
    said = text_of(called)
    assert said.index("Day geckos 2") < said.index("Dart frogs 1") < said.index("Tree pythons 1")
    for part in (
        "limit 40.0 °C, for 12 min",
        "lamp too close",
        "Check the lamp's height",
        "unacknowledged since 13:49",
        "peak 42.2 °C",
        "its own thermostat and an independent high-limit cut-out",
        "needs a veterinarian",
    ):
        assert part in said.replace("\N{NO-BREAK SPACE}", " "), part


def test_an_alarm_of_the_whole_room_stands_above_the_enclosures(house: Glasshouse) -> None:
    began = NOW - timedelta(minutes=3)
    with house.store.write() as session:
        row = Alarm(
            condition="room-blackout", place="front", priority="high", state="unacknowledged", raised_at=began,
            began_at=began, cause="41 of 60 channels fell silent within 5 min.",
        )  # fmt: skip
        session.add(row)
    page = Visitor(create_app(house.parts)).get("/").text
    said = text_of(page[page.index('id="needs-you"') :]).replace("\N{NO-BREAK SPACE}", " ")
    assert said.index("Most of the room fell silent at once") < said.index("Day geckos 2")
    assert "Since 13:57, for 3 min. 41 of 60 channels" in said


def test_counts_are_said_in_words(client: Visitor) -> None:
    said = text_of(client.get("/").text)
    assert "8 enclosures · 2 need you · 1 blind · 1 resting · 4 steady" in said


def test_racks_stand_as_in_the_room_and_what_has_no_place_is_shown_too(client: Visitor) -> None:
    page = client.get("/").text
    assert "col-1 row-3" in tile(page, "steady")  # level 1 of three, at the bottom
    assert "col-1 row-1" in tile(page, "resting")
    assert " col-" not in tile(page, "loose")
    assert "Without a place" in text_of(page)


@pytest.mark.parametrize("path", ["/", "/enclosures/hostile", "/fragments/tiles", "/fragments/enclosures/hostile"])
def test_a_hostile_name_stays_a_name(client: Visitor, path: str) -> None:
    page = client.get(path).text
    assert "<script>alert" not in page
    if "fragments/enclosures" not in path:
        assert HOSTILE in unescape(page)


@pytest.mark.parametrize("path", PAGES)
def test_every_page_carries_the_headers_that_protect_it(client: Visitor, path: str) -> None:
    headers = client.get(path).headers
    policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    assert ("'unsafe-inline'" in policy["style-src"]) == (path == "/enclosures/hot")
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"


@pytest.mark.parametrize("path", PAGES)
def test_no_page_has_inline_script_or_style_or_asks_another_host(client: Visitor, path: str) -> None:
    for tag, attributes in Elements(client.get(path).text).tags:
        assert "style" not in attributes, (tag, attributes)
        assert not [name for name in attributes if name.startswith("on")], (tag, attributes)
        assert tag != "style"
        assert tag != "script" or attributes.get("src", "").startswith("/static/")
        for name in ("src", "href"):
            assert not (attributes.get(name) or "").startswith(("http:", "https:", "//")), (tag, attributes)


def test_static_files_are_kept_for_good_and_compressed(client: Visitor) -> None:
    page = client.get("/").text
    address = re.search(r'href="(/static/[0-9a-f]{16}/css/wardian\.css)"', page)
    assert address
    for name in ("css/wardian.css", "css/tiles.css", "js/live.js"):
        answer = client.get(address.group(1).replace("css/wardian.css", name))
        assert answer.status_code == 200
        assert "immutable" in answer.headers["cache-control"]
    assert client.get(address.group(1).replace("wardian", "tiles")).headers["content-encoding"] == "gzip"
    assert client.get("/static/0000000000000000/css/wardian.css").status_code == 404


def test_plotly_is_served_from_here_and_only_where_a_chart_is(client: Visitor) -> None:
    address = re.search(r'data-plotly="([^"]+)"', client.get("/enclosures/hot").text)
    assert address
    answer = client.get(address.group(1))
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/javascript")
    assert "plotly" not in client.get("/").text


def test_an_empty_site_teaches_the_next_step(empty: Visitor) -> None:
    said = text_of(empty.get("/").text)
    assert "wardian room apply" in said
    assert empty.get("/fragments/tiles").status_code == 200


def test_an_unknown_enclosure_is_a_page_that_says_so(client: Visitor) -> None:
    answer = client.get("/enclosures/%3Cb%3E")
    assert answer.status_code == 404
    assert "No enclosure is called" in answer.text
    assert "<b>" not in answer.text


def test_the_cautions_stand_on_the_about_page(client: Visitor) -> None:
    said = text_of(client.get("/about").text)
    for word in ("switches nothing", "high-limit cut-out", "residual-current protection", "veterinarian"):
        assert word in said


def test_a_fragment_has_the_tiles_asked_for_and_who_needs_someone(client: Visitor) -> None:
    page = client.get("/fragments/tiles?enclosures=steady,gap").text
    tiles = re.findall(r'id="tile-([a-z]+)"', page)
    assert sorted(tiles) == ["gap", "steady"]
    assert 'id="counts"' in page
    assert 'id="call-hot"' in page


def test_the_enclosure_page_shows_values_with_their_zones_targets_and_ages(client: Visitor) -> None:
    said = text_of(client.get("/enclosures/steady").text).replace("\N{NO-BREAK SPACE}", " ")
    assert "Basking spot Surface temperature 33.5 °C 31.0–36.0 °C 1 min ago" in said
    assert "Ambient Relative humidity 65 %RH 50–80 %RH 1 min ago" in said


def test_the_enclosure_page_says_what_to_do_and_lists_its_alarms(client: Visitor) -> None:
    said = text_of(client.get("/enclosures/hot").text).replace("\N{NO-BREAK SPACE}", " ")
    assert "its own thermostat and an independent high-limit cut-out" in said
    assert said.index("Basking spot too hot") < said.index("Basking spot too cold")
    assert "9 Mar 08:00, returned to normal 9 Mar 09:00 after 1 h · peak 27.0 °C" in said


def test_the_table_twin_says_where_nothing_is_known(client: Visitor) -> None:
    said = text_of(client.get("/enclosures/gap/table").text).replace("\N{NO-BREAK SPACE}", " ")
    assert "no data" in said
    assert "33.5 °C" in said


def test_csv_holds_the_stored_readings(client: Visitor) -> None:
    from_ms = 1_773_144_000_000  # 2026-03-10 12:00 UTC
    answer = client.get(f"/enclosures/steady/readings.csv?from={from_ms}&to={from_ms + 120_000}")
    lines = answer.text.splitlines()
    assert lines[0] == "time,probe,quantity,value"
    assert "2026-03-10T12:00:00.000Z,steady-sur,surface_temperature,33.5" in lines
    assert len(lines) == 1 + 3 * 2
    assert "attachment" in answer.headers["content-disposition"]


@pytest.mark.parametrize("query", ["from=5&to=5", "from=10&to=5", "from=0&to=9000000000000"])
def test_a_span_that_cannot_be_drawn_is_refused_with_a_sentence(client: Visitor, query: str) -> None:
    answer = client.get(f"/enclosures/steady/figure?{query}")
    assert answer.status_code == 422
    assert "a minute to three years" in answer.json()["detail"]


@pytest.mark.parametrize("kind", ["figure", "table", "readings.csv"])
@pytest.mark.parametrize("first", [0, 249_999_000_000_000])
def test_spans_at_the_ends_of_the_calendar_are_answered(client: Visitor, kind: str, first: int) -> None:
    answer = client.get(f"/enclosures/steady/{kind}?from={first}&to={first + 86_400_000}")
    assert answer.status_code == 200


@pytest.mark.parametrize("query", ["from=x", "from=9007199254740993&to=9007199254999999", "from=-1&to=999999"])
def test_a_time_that_is_none_is_refused(client: Visitor, query: str) -> None:
    assert client.get(f"/enclosures/steady/figure?{query}").status_code == 422
