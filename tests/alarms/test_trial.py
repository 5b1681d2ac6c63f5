"""Another limit, tried on stored readings: how many alarms, and which real events would have been missed."""

from collections.abc import Iterator

import numpy as np
import pytest

from service.climate.ranges import DAY_MS
from service.errors import BadUse
from service.model import Flag
from service.store.engine import Store
from service.store.facts import load_facts
from service.store.readings import add_readings
from service.watch.replay import derive
from service.watch.trial import Trial, rule_of, try_limits
from tests.builders import MINUTE, NOON_MS, a_probe, a_site, an_enclosure
from tests.empty_store import sqlite_store

DAYS = 3
WET = {
    "target": [
        {"check": "humidity-alarm", "low": 40.0, "high": 95.0, "source": "common practice, no source"},
        {"check": "hot-spot-peak", "high": 38.0, "source": "common practice, no source"},
    ]
}


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """Three days: each hour a short visit to 38.6 °C, which the probe may be off by; once half an hour at 42 °C."""
    store = sqlite_store(tmp_path_factory.mktemp("past") / "wardian.db")
    minutes = np.arange(DAYS * 24 * 60)
    spot = np.where(minutes % 60 < 5, 38.6, 35.0)
    spot[1500:1530] = 42.0
    humidity = np.where((minutes >= 2000) & (minutes < 2200), 36.0, 60.0)
    with store.write() as session:
        a_site(session)
        enclosure = an_enclosure(session, body=WET)
        a_probe(session, "spot", ("surface_temperature",), enclosure, "basking", model="generic")
        a_probe(session, "air", ("relative_humidity", "air_temperature"), enclosure, "ambient")
        for channel, values in ((1, spot), (2, humidity), (3, np.full(len(minutes), 24.0))):
            rows = [
                (channel, NOON_MS + int(minute) * MINUTE, float(value), int(Flag.DEVICE_CLOCK))
                for minute, value in zip(minutes, values, strict=True)
            ]
            add_readings(session, rows)
    yield store
    store.close()


def tried(past: Store, condition: str, asked: float | None = None) -> Trial:
    with past.read() as session:
        facts = load_facts(session)
        enclosure = facts.by_key["rack-a-1"]
        return try_limits(session, facts, enclosure, condition, NOON_MS, NOON_MS + DAYS * DAY_MS, asked)


def test_a_limit_further_out_spares_the_false_alarms_and_keeps_the_real_event(past: Store) -> None:
    trial = tried(past, "basking-overheat")
    assert trial.uncertainty == pytest.approx(1.15, rel=0.3)
    assert [one.limit for one in trial.tried] == [38.0, 38.5, 39.0, 39.5, 40.0]
    assert [one.alarms > 1 for one in trial.tried] == [True, True, False, False, False]
    assert [(one.alarms, one.missed) for one in trial.tried[2:]] == [(1, 0)] * 3
    (event,) = trial.real
    assert (event.raised_ms, event.peak) == (NOON_MS + 1501 * MINUTE, 42.0)
    assert trial.tried[0].high == trial.tried[0].alarms


def test_a_limit_beyond_the_event_misses_it(past: Store) -> None:
    last = tried(past, "basking-overheat", asked=45.0).tried[-1]
    assert (last.limit, last.alarms, last.missed) == (45.0, 0, 1)


def test_a_lower_limit_moves_down_and_the_offset_of_a_condition_is_kept(past: Store) -> None:
    trial = tried(past, "too-dry", asked=30.0)
    assert [(one.limit, one.target, one.alarms, one.missed) for one in trial.tried] == [
        (40.0, 40.0, 1, 0), (38.0, 38.0, 1, 0), (36.0, 36.0, 0, 1), (34.0, 34.0, 0, 1), (32.0, 32.0, 0, 1),
        (30.0, 30.0, 0, 1),
    ]  # fmt: skip
    rule = rule_of("basking-cold")
    assert rule is not None
    assert (rule.check, rule.end, rule.offset) == ("hot-spot", "low", -2.0)


def test_the_present_limit_gives_what_replay_gives(past: Store) -> None:
    with past.read() as session:
        facts = load_facts(session)
        derived = derive(session, facts, NOON_MS, NOON_MS + DAYS * DAY_MS, facts.by_key["rack-a-1"].id)
    there = sum(alarm.condition == "basking-overheat" for alarm in derived)
    assert there == tried(past, "basking-overheat").tried[0].alarms > 1


@pytest.mark.parametrize(
    ("condition", "asked", "said"),
    [
        ("probe-silent", None, "has no limit to try; those that have one: basking-cold, basking-heading-over"),
        ("night-cold", None, "no target sets a limit for night-cold"),
        ("basking-overheat", 400.0, "limit: expected -50 to 150, got 400"),
    ],
)
def test_what_cannot_be_tried_is_refused(past: Store, condition: str, asked: float | None, said: str) -> None:
    with pytest.raises(BadUse, match=said):
        tried(past, condition, asked)
