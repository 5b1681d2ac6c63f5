import re

import pytest

from dashboard.app import create_app
from dashboard.fahrenheit import in_fahrenheit
from service.model import Person
from service.people.passwords import kept
from service.people.signing_in import open_session
from tests.dashboard.glasshouse import NOW, Glasshouse, Visitor

FIGURE = '<span class="figure">{}<span class="unit">\N{NARROW NO-BREAK SPACE}°{}</span></span>'
ROW = '<tr data-degrees="difference"><td>'
NBSP = "\N{NO-BREAK SPACE}"


@pytest.mark.parametrize(
    ("celsius", "told"),
    [
        ("Basking spot 41.2 °C, limit 38 °C, for 4 min.", "Basking spot 106.2 °F, limit 100 °F, for 4 min."),
        (f"31.0–34.0{NBSP}°C", f"87.8–93.2{NBSP}°F"),
        ("\N{MINUS SIGN}10.0 °C", "14.0 °F"),
        ("\N{MINUS SIGN}40 °C", "\N{MINUS SIGN}40 °F"),
        ("at least 20 to 26 °C", "at least 68 to 79 °F"),
        ("Night drop 5.0 °C, target 2 to 7 °C. Now 20.0 °C.", "Night drop 9.0 °F, target 4 to 13 °F. Now 68.0 °F."),
        ("Gradient 4.0 °C from the warm to the cool end", "Gradient 7.2 °F from the warm to the cool end"),
        (f"± 0.5{NBSP}°C", f"± 0.9{NBSP}°F"),
        ("2.0 °C above the limit 38.0 °C", "3.6 °F above the limit 100.4 °F"),
        ("drifts 0.5 °C a month", "drifts 0.9 °F a month"),
        ("300 degree-days above 15.0 °C, needed 400 °C d", "300 degree-days above 59.0 °F, needed 400 °C d"),
        ("300 ± 4 degree-days above 15.0 °C since laying", "300 ± 4 degree-days above 59.0 °F since laying"),
        ("34.2 °C at the median (usual spread 0.5 °C).", "93.6 °F at the median (usual spread 0.9 °F)."),
        (FIGURE.format("32.0", "C"), FIGURE.format("89.6", "F")),
        (f"{ROW}5.0 °C</td></tr><td>5.0 °C</td>", f"{ROW}9.0 °F</td></tr><td>41.0 °F</td>"),
        ('<input value="31"> in °C', '<input value="31"> in °C'),
        ("probe a1.5 °C2", "probe a1.5 °C2"),
    ],
)  # fmt: skip
def test_temperatures_are_put_into_fahrenheit_and_differences_only_scaled(celsius: str, told: str) -> None:
    assert in_fahrenheit(celsius) == told


def test_every_page_speaks_the_degrees_of_its_reader(filled: Glasshouse) -> None:
    app = create_app(filled.parts)
    there, other = Visitor(app), Visitor(app, "wardian-degrees=F")
    for path in ("/", "/enclosures/hot", "/alarms", "/profiles/sun-lizard", "/fragments/tiles"):
        celsius, told = there.get(path).text, other.get(path).text
        assert "°F" not in re.sub(r"<button[^>]*>°F", "", celsius)
        assert re.findall(r"[\d.]+\s?°C", re.sub("<[^>]+>", "", told)) == []
        assert "°F" in told
    figure = other.get("/enclosures/hot/figure").json()
    spot = next(t for t in figure["data"] if t.get("name") == "Basking spot, surface")
    assert "°F" in figure["layout"]["yaxis"]["title"]["text"]
    assert "°F" in spot["hovertemplate"]
    low, high = figure["layout"]["yaxis"]["range"]
    assert low > 60
    assert high < 130
    # What programs read stays in degrees Celsius.
    assert other.get("/api/v1/enclosures/hot/now").json() == there.get("/api/v1/enclosures/hot/now").json()


def test_a_persons_choice_goes_with_them_to_any_browser(house: Glasshouse) -> None:
    app = create_app(house.parts)
    with house.store.write() as session:
        word = kept("seven wet ferns", b"salt of this test")
        session.add(Person(name="Ana", key="ana", role="viewer", password=word, made_at=NOW, made_by="a test"))
        session.flush()
        token = open_session(session, 1, NOW)
    ana = Visitor(app, f"wardian={token}")
    assert 'value="C" class="quiet" aria-pressed="true"' in ana.get("/about").text
    sent = ana.post("/degrees", data={"degrees": "F", "back": "/alarms"}, headers={"origin": "http://wardian.test"})
    assert (sent.status_code, sent.headers["location"]) == (303, "/alarms")
    assert "wardian-degrees=F" in sent.headers["set-cookie"]
    assert 'value="F" class="quiet" aria-pressed="true"' in ana.get("/about").text
    # Her own choice stands above what another left in that browser.
    both = Visitor(app, f"wardian={token}; wardian-degrees=C")
    assert 'value="F" class="quiet" aria-pressed="true"' in both.get("/about").text
