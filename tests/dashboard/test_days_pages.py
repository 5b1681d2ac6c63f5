import re
from datetime import date, datetime
from html.parser import HTMLParser

import pytest

from dashboard.app import create_app
from dashboard.headers import STRICT_POLICY
from service.model import to_ms
from service.store.readings import add_readings
from tests.dashboard.glasshouse import HOSTILE, SOURCE, Glasshouse, Visitor
from tests.dashboard.past_room import CLOCKS_CHANGE, DEAD_LAMP, FIRST, GAP, LISBON, NOW, SILENT

PAGES = ("days", "misting", "typical-day", "rain-response", f"days/{DEAD_LAMP}")


class Seen(HTMLParser):
    """Gathers what a page holds: its elements, and the text a person reads."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str]]] = []
        self._text: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))
        self._text.append(" ")

    def handle_data(self, data: str) -> None:
        self._text.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", "".join(self._text))

    def links(self, beginning: str = "") -> list[str]:
        return [a["href"] for tag, a in self.elements if tag == "a" and a.get("href", "").startswith(beginning)]


def seen(visitor: Visitor, path: str, status: int = 200) -> Seen:
    answer = visitor.get(path)
    assert answer.status_code == status, answer.text[:500]
    return Seen(answer.text)


def days_of(page: Seen) -> dict[str, dict[str, str]]:
    """Return the calendar's cells by date."""
    cells = [a for tag, a in page.elements if tag == "a" and a.get("class", "").startswith("day is-")]
    return {cell["href"].rsplit("/", 1)[1]: cell for cell in cells}


@pytest.mark.parametrize("path", PAGES)
def test_each_piece_is_a_page_that_needs_no_script_and_no_inline_style(looking_back: Visitor, path: str) -> None:
    answer = looking_back.get(f"/enclosures/long/{path}")
    assert answer.status_code == 200
    assert answer.headers["content-security-policy"] == STRICT_POLICY
    page = Seen(answer.text)
    assert "style" not in {tag for tag, _ in page.elements}
    assert not [a for _, a in page.elements if "style" in a or any(name.startswith("on") for name in a)]
    assert HOSTILE in page.text
    assert "<script>alert" not in answer.text


@pytest.mark.parametrize("path", PAGES)
def test_cautions_stand_on_every_page_that_speaks_of_heat_or_water(looking_back: Visitor, path: str) -> None:
    text = seen(looking_back, f"/enclosures/long/{path}").text
    caution = {
        "typical-day": "independent high-limit cut-out",
        "days": "",
        "misting": "residual-current protection",
        "rain-response": "residual-current protection",
    }.get(path, "Only a veterinarian can say what an animal suffers from")
    assert caution in text


def test_the_first_page_leads_to_every_piece_without_scripts(looking_back: Visitor) -> None:
    links = seen(looking_back, "/enclosures/long").links("/enclosures/long/")
    for piece in ("days", "misting", "typical-day", "rain-response"):
        assert f"/enclosures/long/{piece}" in links


def test_a_cell_tells_verdict_and_failed_checks_in_its_name_and_title(looking_back: Visitor) -> None:
    cells = days_of(seen(looking_back, "/enclosures/long/days"))
    cell = cells[str(DEAD_LAMP)]
    assert cell["aria-label"] == "Wednesday 18 March: not met: basking spot in its band"
    assert cell["title"] == cell["aria-label"]
    assert "is-not-met" in cell["class"]
    good = cells["2026-03-10"]
    assert good["aria-label"] == "Tuesday 10 March: met, as far as it is measured here"


def test_the_calendar_shows_each_day_from_the_first_reading_to_today(looking_back: Visitor) -> None:
    cells = days_of(seen(looking_back, "/enclosures/long/days"))
    today = NOW.astimezone(LISBON).date()
    assert list(cells) == [str(date.fromordinal(n)) for n in range(FIRST.toordinal(), today.toordinal() + 1)]
    assert cells[str(today)]["aria-current"] == "date"
    assert "is-no-data" in cells[str(SILENT)]["class"]


def test_what_is_never_known_is_said_once_and_spoils_no_day(looking_back: Visitor) -> None:
    page = seen(looking_back, "/enclosures/long/days")
    assert "left out of the verdicts here: lit hours" in page.text
    assert "is-met" in days_of(page)["2026-03-10"]["class"]
    lit = seen(looking_back, "/enclosures/long/days/2026-03-10").text
    assert re.search(r"Lit hours.{0,200}no data", lit)


def test_older_weeks_are_reached_only_where_there_are_readings(past_house: Glasshouse) -> None:
    visitor = Visitor(create_app(past_house.parts))
    assert seen(visitor, "/enclosures/long/days").links("/enclosures/long/days?") == []
    past_house.clock[0] = datetime.fromisoformat("2026-07-06T12:00+00:00")
    page = seen(visitor, "/enclosures/long/days")
    assert page.links("/enclosures/long/days?until=") == ["/enclosures/long/days?until=2026-04-12"]
    assert days_of(page) == {}
    then = seen(visitor, "/enclosures/long/days?until=2026-04-12")
    assert str(DEAD_LAMP) in days_of(then)
    assert then.links("/enclosures/long/days?until=") == ["/enclosures/long/days?until=2026-04-13"]


def test_a_day_shows_every_check_with_what_it_rests_on(looking_back: Visitor) -> None:
    page = seen(looking_back, f"/enclosures/long/days/{DEAD_LAMP}")
    assert "Wednesday 18 March 2026" in page.text
    row = re.search(r"Basking spot in its band Basking.{0,600}", page.text)
    assert row
    for words in ("not met", "31.0–36.0 °C for 80 %", SOURCE, "± ", "100 %", "08:30 to 19:30", "long-sur/surface_temp"):
        assert words in row.group().replace("\N{NO-BREAK SPACE}", " ")
    assert "Basking spot too cold" in page.text
    assert "Profile sun-lizard for Lacerta exempli, version 1" in page.text
    assert "on 07:30, off 19:30" in page.text
    assert "Surface temperature (probe long-sur): basking spot" in page.text
    assert sum(tag == "tr" for tag, _ in page.elements) == 1 + 8


def test_what_was_not_met_stands_first(looking_back: Visitor) -> None:
    page = seen(looking_back, f"/enclosures/long/days/{DEAD_LAMP}")
    rows = [a.get("class", "") for tag, a in page.elements if tag == "tr"][1:]
    assert rows[0] == "is-not-met"
    assert rows[-1] == "is-met"


def test_a_gap_and_what_changed_on_the_day_are_told(looking_back: Visitor) -> None:
    text = seen(looking_back, f"/enclosures/long/days/{GAP}").text.replace("\N{NO-BREAK SPACE}", " ")
    # The last reading before it, of 13:55, stands for 12.5 min.
    assert "14:07, for 2 h 52 min: surface temperature at the basking spot (probe long-sur); nothing was" in text
    assert "Reference check changed on this day" in text


def test_days_are_turned_from_the_first_to_today_and_no_further(looking_back: Visitor) -> None:
    today = seen(looking_back, "/enclosures/long/days/2026-04-02")
    assert [a["href"] for _, a in today.elements if a.get("rel") == "prev"] == ["/enclosures/long/days/2026-04-01"]
    assert not [a for _, a in today.elements if a.get("rel") == "next"]
    before = seen(looking_back, "/enclosures/long/days/2026-04-01")
    assert [a["href"] for _, a in before.elements if a.get("rel") == "next"] == ["/enclosures/long/days/2026-04-02"]


@pytest.mark.parametrize(
    "text", ["2026-04-03", "2025-12-31", "2026-02-30", "today", "1-1-1", "9999-12-31", "0001-01-01"]
)
def test_a_day_that_is_none_is_told_with_the_way_back(looking_back: Visitor, text: str) -> None:
    page = seen(looking_back, f"/enclosures/long/days/{text}", 404)
    assert f"has no day “{text}”" in page.text
    assert "/enclosures/long/days" in page.links()


@pytest.mark.parametrize("path", PAGES)
def test_an_enclosure_that_is_none_is_told(looking_back: Visitor, path: str) -> None:
    assert "No enclosure is called “nothing”" in seen(looking_back, f"/enclosures/nothing/{path}", 404).text


@pytest.mark.parametrize("until", ["", "x", "2026-99-99", "0001-01-01", "9999-12-31", "1969-01-01"])
def test_a_calendar_asked_for_oddly_answers_all_the_same(looking_back: Visitor, until: str) -> None:
    assert "Days" in seen(looking_back, f"/enclosures/long/days?until={until}").text


def test_the_day_on_which_clocks_go_forward_has_23_hours(looking_back: Visitor) -> None:
    page = seen(looking_back, f"/enclosures/long/days/{CLOCKS_CHANGE}")
    # 06, 12 and 18 o'clock lie 5, 11 and 17 hours after midnight.
    hours = [a["x"] for tag, a in page.elements if tag == "text" and a.get("class") == "hour"]
    assert hours == [f"{100 * n / 23:.2f}%" for n in (5, 11, 17)]
    assert "Lights on from 07:30 to 19:30" in page.text


def test_the_misting_list_lets_the_weak_stand_out_and_says_why_others_cannot_be_told(looking_back: Visitor) -> None:
    page = seen(looking_back, "/enclosures/long/misting")
    rows = [a["class"] for tag, a in page.elements if tag == "li" and a.get("class", "").startswith("cycle is-")]
    assert len(rows) == 2 * 14 - 1  # today's second is still to come
    assert sum("calls" in row for row in rows) == 5
    assert all(("is-weak" in row or "is-none" in row) for row in rows if "calls" in row)
    text = page.text.replace("\N{NO-BREAK SPACE}", " ")
    assert "21 of 27 cycles confirmed, the median of them added 15 %RH; 5 weak and 1 without enough data." in text
    assert "Clean the nozzles and the filter" in text
    silent = seen(looking_back, f"/enclosures/long/days/{SILENT}").text
    assert "cannot be judged: humidity and temperature readings cover" in silent


def test_a_clog_sinks_in_the_rain_response_and_is_told_in_words(looking_back: Visitor) -> None:
    page = seen(looking_back, "/enclosures/long/rain-response")
    text = page.text.replace("\N{NO-BREAK SPACE}", " ")
    told = re.search(
        r"Thu 2 Apr 08:00, added (\d+) %RH.*?The (\d+) before it at that time of day added.*?(\d+) %RH\.", text
    )
    assert told
    newest, before, middle = (int(part) for part in told.groups())
    assert newest < 8
    assert before == 9
    assert middle > 15
    assert re.search(r"At 08:00: The last 5 cycles added \d %RH, the 28 before them 19 %RH; look at the nozzle", text)
    assert len([a for _, a in page.elements if a.get("class", "").startswith("rain-step is-")]) == 20
    assert len(re.findall(r"(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun) \d+ (?:Mar|Apr) \d\d:\d\d", page.text)) >= 20


def test_a_cycle_without_data_has_no_curve_and_is_listed(past_house: Glasshouse) -> None:
    past_house.clock[0] = datetime(2026, 3, 14, 12, tzinfo=LISBON)
    page = seen(Visitor(create_app(past_house.parts)), "/enclosures/long/rain-response")
    steps = [a for _, a in page.elements if a.get("class", "").startswith("rain-step is-no-data")]
    assert [step["href"] for step in steps] == [f"/enclosures/long/days/{SILENT}"] * 2
    curves = [a for tag, a in page.elements if tag == "path" and a.get("class", "").startswith("curve")]
    assert len(curves) == 20 - len(steps)


def test_the_typical_day_has_the_basking_spot_and_humidity_first_and_a_table_twin(looking_back: Visitor) -> None:
    page = seen(looking_back, "/enclosures/long/typical-day")
    names = re.findall(r"(?:Basking spot|Ambient): [a-z ]+?(?= (?:Higher|Lower|This|Nothing))", page.text)
    assert names == ["Basking spot: surface temperature", "Ambient: relative humidity", "Ambient: air temperature"]
    assert sum(tag == "svg" and a.get("role") == "img" for tag, a in page.elements) == 3
    assert sum(tag == "tr" for tag, _ in page.elements) == 3 * 25
    # The clog shows: mornings are drier this week than before.
    humidity = page.text.split("Ambient: relative humidity")[1]
    assert re.match(r" Lower than usual in \d+ h; most at 08:00, by \d+.%RH\.", humidity)


def test_an_enclosure_that_was_never_heard_teaches_the_next_step(looking_back: Visitor) -> None:
    assert "Nothing was heard here in these weeks" in seen(looking_back, "/enclosures/new/days").text
    assert "needs three days of readings" in seen(looking_back, "/enclosures/new/typical-day").text
    assert seen(looking_back, "/enclosures/new/misting").text
    assert seen(looking_back, "/enclosures/new/rain-response").text
    seen(looking_back, "/enclosures/new/days/2026-04-01", 404)


def test_what_is_remembered_of_a_cycle_gives_way_to_a_late_reading(past_house: Glasshouse) -> None:
    visitor, fresh = Visitor(create_app(past_house.parts)), Visitor(create_app(past_house.parts))
    path = "/enclosures/long/rain-response"
    before = visitor.get(path).text
    assert visitor.get(path).text == before
    channel, start = past_house.channels["relative_humidity"], to_ms(datetime(2026, 4, 1, 17, tzinfo=LISBON))
    late = [(channel, start + 1_000 * second, 99.0, 1) for second in range(241, 299)]
    with past_house.store.write() as session:
        add_readings(session, late)
    after = visitor.get(path).text
    assert after != before
    assert after == fresh.get(path).text


def test_an_enclosure_without_lights_misting_or_profile_has_its_past_too(looking_back: Visitor) -> None:
    cells = days_of(seen(looking_back, "/enclosures/bare/days"))
    assert len(cells) == 7
    assert cells["2026-04-01"]["title"].endswith("no data: nothing was asked for, since no profile was followed")
    day = seen(looking_back, "/enclosures/bare/days/2026-04-01").text
    assert "No lights: the whole day counts as day." in day
    assert "Nothing was asked for" in day
    assert "No cycle was due, and none was measured." in day
    assert "No misting cycle was due" in seen(looking_back, "/enclosures/bare/rain-response").text
    assert "are set under Place, lights, misting" in seen(looking_back, "/enclosures/bare/misting").text
    typical = seen(looking_back, "/enclosures/bare/typical-day").text
    assert "7 days before this week are needed, 0 are known" in typical
