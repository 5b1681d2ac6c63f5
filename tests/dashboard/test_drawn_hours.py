"""Who hears of an alarm hour by hour, and values on their scales, as they are drawn."""

import re
from zoneinfo import ZoneInfo

import pytest

from dashboard.scales import scale_of
from dashboard.telling import cover_of
from service.model import Contact
from tests.dashboard.glasshouse import NOW

LISBON = ZoneInfo("Europe/Lisbon")


def contact(name: str, priority: str, hours: str | None) -> Contact:
    return Contact(name=name, route="jsons://example.org/x", priority=priority, hours=hours)


@pytest.mark.parametrize(
    ("priority", "lit", "said"),
    [
        ("high", [("0.00", "100.00"), ("0.00", "100.00")], "Ana and Bo, at any hour"),
        ("medium", [("29.17", "62.50")], "Ana; where it is hatched, it waits for their hours"),
        ("low", [], "nobody is told"),
    ],
)
def test_an_hour_in_which_nobody_hears_of_an_alarm_is_hatched(
    priority: str, lit: list[tuple[str, str]], said: str
) -> None:
    there = [contact("Ana", "medium", "07:00-22:00"), contact("Bo", "high", "22:00-07:00")]
    cover = cover_of(priority, there, NOW, LISBON)
    assert cover.said == said
    assert '<rect class="gap" width="100%" height="100%"/>' in cover.day
    assert re.findall(r'class="lit" x="([\d.]+)%" width="([\d.]+)%"', cover.day) == lit
    assert f'aria-label="{priority} alarms: {said}"' in cover.day


def test_hours_over_midnight_are_lit_at_both_ends_of_the_day() -> None:
    day = cover_of("medium", [contact("Bo", "low", "22:00-07:00")], NOW, LISBON).day
    assert re.findall(r'class="lit" x="([\d.]+)%" width="([\d.]+)%"', day) == [("0.00", "29.17"), ("91.67", "8.33")]
    assert 'class="now" x="58.33%"' in day


def test_a_value_stands_on_its_scale_beside_its_band() -> None:
    drawn = scale_of(31.0, 24.0, 38.0, "°C")
    assert '<rect class="band" x="40.0%" width="40.0%"' in drawn
    assert '<circle class="scale-now" cx="60.0%"' in drawn
    assert '<rect class="band" x="75.0%" width="25.0%"' in scale_of(94.0, 75.0, None, "%RH")
    assert 'class="scale-now" cx="100.0%"' in scale_of(60.0, None, 38.0, "°C")
    assert 'class="band"' not in scale_of(20.0, None, None, "°C")
    assert [scale_of(None, 20.0, 30.0, "°C"), scale_of(5000.0, None, None, "lx")] == ["", ""]
