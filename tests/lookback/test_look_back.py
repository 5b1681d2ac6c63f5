"""The look-back as JSON and as text."""

import json
from typing import Any

import numpy as np
import pytest
from past_room import (
    AMBIENT,
    BASKING,
    COOL,
    ENTERED,
    HUMIDITY,
    Values,
    check_of,
    climate,
    enter,
    furnish,
    instant,
    live,
    looked_back,
    moved,
    ms,
    override,
    put,
    retired,
    rows_of,
)

from service.lookback.report import fingerprint_of, to_bytes
from service.lookback.text import CAUTION, text_of
from service.model import Alarm, Equipment, Flag
from service.store.engine import Store

DAYS = ("2026-03-02", "2026-03-08")
"""Seven days."""


@pytest.fixture
def past(store: Store) -> Store:
    """Seven days: the fourth too hot, the fifth without a pump, the sixth with a silent basking probe."""
    furnish(store)

    def troubled(at: np.ndarray, values: Values) -> Values:
        hot = (at >= ms(3, 9)) & (at < ms(3, 15))
        return values | {BASKING: np.where(hot, 43.0 + 0.01 * (at % 7), values[BASKING])}

    live(store, 4, changed=troubled)
    dead = np.arange(ms(4), ms(5), 300_000, dtype=np.int64)
    put(store, rows_of(climate(dead, ms(0), misted=False), dead))
    rest = np.arange(ms(5), ms(9), 300_000, dtype=np.int64)
    silent = (rest >= ms(5, 10)) & (rest < ms(6, 3))
    values = climate(rest, ms(0))
    put(store, rows_of({k: v for k, v in values.items() if k != BASKING}, rest))
    put(store, rows_of({BASKING: values[BASKING][~silent]}, rest[~silent]))
    return store


def alarm(condition: str, **changes: Any) -> Alarm:
    usual = {
        "condition": condition, "place": f"rack-a-1/basking/{condition}", "enclosure_id": 1, "zone": "basking",
        "priority": "high", "state": "normal", "raised_at": instant(3, 9.5), "began_at": instant(3, 9.4),
        "returned_at": instant(3, 15.5), "peak": 43.0, "limit": 40.0, "unit": "Cel",
    }  # fmt: skip
    return Alarm(**(usual | changes))


def test_the_json_has_the_agreed_parts(past: Store) -> None:
    report = looked_back(past, *DAYS)
    assert list(report) == [
        "subject", "from", "to", "time_zone", "summary", "days", "misting", "alarms", "gaps", "facts", "journal",
        "data", "as_of", "corrections",
    ]  # fmt: skip
    assert report["subject"] == {"enclosure": "rack-a-1", "name": "rack-a-1"}
    assert (report["from"], report["to"]) == ("2026-03-02T00:00:00.000Z", "2026-03-09T00:00:00.000Z")
    assert {"verdict", "sentences"} == set(report["summary"])
    day = report["days"][0]
    assert {"date", "enclosure", "photoperiod", "verdict", "checks", "spikes"} <= set(day)
    assert day["photoperiod"] == {
        "on": "2026-03-02T07:00:00.000Z", "off": "2026-03-02T19:00:00.000Z", "basis": "schedule",
    }  # fmt: skip
    assert {
        "check", "verdict", "value", "unit", "target", "uncertainty", "coverage", "zone", "channels", "sentence",
    } <= set(day["checks"][0])  # fmt: skip
    assert {"low", "high", "source"} <= set(day["checks"][0]["target"])
    assert {
        "at", "basis", "verdict", "response", "rise_minutes", "decay_minutes", "baseline_vapour_pressure", "sentence",
    } <= set(report["misting"][0])  # fmt: skip
    assert report["journal"] == []
    assert set(report["data"]) == {"readings", "approximate", "refused", "fingerprint"}


def test_nothing_in_it_is_no_number(past: Store) -> None:
    report = looked_back(past, *DAYS)
    assert json.dumps(report, allow_nan=False)
    assert b"NaN" not in to_bytes(report)
    assert b"Infinity" not in to_bytes(report)


def test_what_went_wrong_is_said_first_with_how_long_and_how_certain(past: Store) -> None:
    report = looked_back(past, *DAYS)
    verdicts = [day["verdict"] for day in report["days"]]
    assert verdicts == ["met", "met", "met", "not met", "not met", "no data", "met"]
    assert report["summary"]["verdict"] == "not met"
    said = report["summary"]["sentences"]
    assert said[0].startswith("2 to 8 March 2026: 4 days met every target, 2 days missed at least one target and 1 day")
    hot = next(sentence for sentence in said if sentence.startswith("Basking spot in its band"))
    assert "missed on 1 of 7 days (5 March), in all 6 h above" in hot
    assert "for certain" in hot
    assert any(s.startswith("Of 7 misting cycles, 6 put water into the air and 1 did not reach the air") for s in said)
    assert any("not known on 1 day (7 March): readings cover too little of the time" in s for s in said)
    assert "Surface temperature at the basking spot (probe spot): 16 h 52 min without a reading" in " ".join(said)


def test_a_gap_over_midnight_is_one_gap_with_its_reason(past: Store) -> None:
    gaps = [gap for gap in looked_back(past, *DAYS)["gaps"] if gap["channel"] == "spot/surface_temperature"]
    # The reading of 09:55 stood for two and a half cadences.
    assert gaps == [
        {
            "channel": "spot/surface_temperature", "zone": "basking", "from": "2026-03-07T10:07:30.000Z",
            "to": "2026-03-08T03:00:00.000Z", "reason": "nothing was received",
        }
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("flag", "reason", "count"),
    [
        (Flag.APPROXIMATE, "the times of the readings are only approximate", "approximate"),
        (Flag.IMPOSSIBLE, "the readings cannot be true", "refused"),
    ],
)
def test_readings_that_judge_nothing_are_a_gap_and_are_counted(
    store: Store, flag: Flag, reason: str, count: str
) -> None:
    furnish(store)
    at = np.arange(ms(0), ms(2), 300_000, dtype=np.int64)
    values = climate(at, ms(0))
    late = (at >= ms(0, 20)) & (at < ms(0, 21))
    put(store, rows_of({k: v for k, v in values.items() if k != COOL}, at))
    put(store, rows_of({COOL: values[COOL][~late]}, at[~late]))
    put(store, rows_of({COOL: values[COOL][late]}, at[late], int(flag)))
    report = looked_back(store, "2026-03-02", "2026-03-02")
    assert [(gap["channel"], gap["from"], gap["to"], gap["reason"]) for gap in report["gaps"]] == [
        ("cool/air_temperature", "2026-03-02T20:00:00.000Z", "2026-03-02T21:00:00.000Z", reason)
    ]
    assert report["data"][count] == 12
    assert report["data"]["readings"] == 4 * 288


def test_a_span_by_instants_holds_what_happened_in_it(past: Store) -> None:
    enter(past, alarm("basking-overheat"), alarm("night-cold", raised_at=instant(1), returned_at=instant(1, 1)))
    report = looked_back(past, "2026-03-05T14:00", "2026-03-07T12:00:00+00:00")
    assert [day["date"] for day in report["days"]] == ["2026-03-05", "2026-03-06", "2026-03-07"]
    assert [cycle["at"] for cycle in report["misting"]] == ["2026-03-06T12:00:00.000Z"]
    assert [one["condition"] for one in report["alarms"]] == ["basking-overheat"]
    assert [(gap["from"], gap["to"]) for gap in report["gaps"]] == [
        ("2026-03-07T10:07:30.000Z", "2026-03-07T12:00:00.000Z")
    ]


def test_alarms_are_told_with_who_saw_them(past: Store) -> None:
    seen = alarm("basking-overheat", acknowledged_at=instant(3, 10), acknowledged_by="Ines", note="lamp raised")
    enter(past, seen, alarm("probe-silent", raised_at=instant(5, 11), returned_at=None, peak=None))
    report = looked_back(past, *DAYS)
    first, second = report["alarms"]
    assert {"condition", "zone", "priority", "raised_at", "acknowledged_at", "acknowledged_by", "returned_at", "peak",
            "note"} <= set(first)  # fmt: skip
    assert (first["acknowledged_by"], first["note"], first["peak"]) == ("Ines", "lamp raised", 43.0)
    assert second["returned_at"] is None
    text = text_of(report)
    assert "5 March 09:30: basking overheat at the basking spot, at its furthest 43.0 °C, for 6 h; seen by Ines" in text
    assert "probe silent at the basking spot, still standing; not acknowledged" in text
    assert "2 alarms: basking overheat once and probe silent once. 1 of them still stands." in text.replace("\n  ", " ")


def test_the_facts_of_the_span_are_told_and_no_others(past: Store) -> None:
    enter(
        past,
        check_of(AMBIENT, instant(-30), reference=20.0, reads=20.3),
        check_of(AMBIENT, instant(-10), reference=20.0, reads=20.2),
        check_of(AMBIENT, instant(2), reference=20.0, reads=20.1),
        check_of(AMBIENT, instant(20), reference=20.0, reads=20.4),
        override(instant(-9), instant(-8), low=1.0),
        override(instant(4), instant(5), low=20.0),
        Equipment(enclosure_id=1, kind="uvb-lamp", replace_after_months=8, from_at=instant(1, 9), **ENTERED),
    )
    facts = looked_back(past, *DAYS)["facts"]
    told = [(fact["kind"], fact["from"][:10]) for fact in facts if fact["kind"] in {"calibration", "override"}]
    # The check in force when the span began belongs to it; the one before that, and later ones, do not.
    assert told == [("calibration", "2026-02-20"), ("calibration", "2026-03-04"), ("override", "2026-03-06")]
    kinds = {fact["kind"] for fact in facts}
    assert kinds == {"placement", "calibration", "profile", "override", "lights", "misting", "equipment"}
    text = text_of(looked_back(past, *DAYS)).replace("\n  ", " ")
    assert "UVB lamp installed, to be replaced after 8 months. Entered by the keeper." in text
    assert "Basking spot in its band was set to at least 20: quarantine." in text


def test_the_text_says_the_summary_first_and_the_caution_last(past: Store) -> None:
    report = looked_back(past, *DAYS)
    text = text_of(report)
    titles = ("In short", "Day by day", "Misting", "Alarms", "When nothing was known", "What held in this time")
    places = [text.index(f"\n{title}\n") for title in (*titles, "What this rests on")]
    assert places == sorted(places)
    assert CAUTION in text.replace("\n  ", " ")
    assert "veterinarian" in CAUTION
    assert report["data"]["fingerprint"] in text.replace(" ", "").splitlines()[-1]
    lines = text.replace("\n  ", " ").split("Day by day\n----------\n")[1].splitlines()[:7]
    assert lines[0] == "Monday 2 March: met."
    assert lines[3].startswith("Thursday 5 March: not met: basking spot in its band")
    assert lines[5].startswith("Saturday 7 March: not known: basking spot in its band, hottest of the basking spot and")


def test_the_text_has_no_codes(past: Store) -> None:
    text = text_of(looked_back(past, *DAYS))
    for code in ("hot-spot", "humidity-day", "None", "nan", "inf", "{", "_", "no_data", "cool-end"):
        assert code not in text, code


def test_the_fingerprint_is_of_the_page_and_of_the_data(past: Store) -> None:
    report = looked_back(past, *DAYS)
    altered = json.loads(to_bytes(report))
    altered["days"][3]["verdict"] = "met"
    assert fingerprint_of(altered, []) != fingerprint_of(report, [])
    # A reading that changes no verdict, not even a rounded figure, is another page all the same.
    put(past, [(COOL, ms(2, 13) + 1, 25.0, 1)])
    again = looked_back(past, *DAYS)
    assert again["data"]["fingerprint"] != report["data"]["fingerprint"]


def test_a_span_before_any_reading_says_so(past: Store) -> None:
    report = looked_back(past, "2025-05-01", "2025-05-02")
    assert [day["verdict"] for day in report["days"]] == ["no data", "no data"]
    said = report["summary"]["sentences"]
    assert said[1] == "There is no reading of this enclosure in this span: its first one was taken on 2 March 2026."
    assert "no reading of this enclosure" in text_of(report)


def test_a_span_that_has_not_begun_says_so(past: Store) -> None:
    report = looked_back(past, "2026-03-20", "2026-03-22", now=instant(9))
    assert report["days"] == []
    assert report["summary"] == {
        "verdict": None, "sentences": ["Nothing of this span has passed yet.", "No alarm stood."],
    }  # fmt: skip
    assert "No day of this span has begun." in text_of(report)


def test_an_enclosure_that_is_out_of_use_can_be_looked_back_on(past: Store) -> None:
    before = looked_back(past, *DAYS)
    retired(past, instant(10))
    after = looked_back(past, *DAYS)
    assert after["days"] == before["days"]
    assert "The enclosure has been out of use since 12 March 2026." in after["summary"]["sentences"]


def test_a_probe_that_was_moved_is_told_where_it_stood(past: Store) -> None:
    moved(past, HUMIDITY, instant(2, 12), "canopy")
    report = looked_back(past, *DAYS)
    stood = [
        (f["zone"], f["from"][:10], f["until"]) for f in report["facts"] if f.get("channel") == "top/relative_humidity"
    ]
    assert stood == [("ambient", "2000-01-01", "2026-03-04T12:00:00.000Z"), ("canopy", "2026-03-04", None)]
    assert "Until 4 March 2026 12:00: Relative humidity in the open air of the enclosure (probe top)" in text_of(
        report
    ).replace("\n  ", " ")


def test_misting_that_weakens_is_told(store: Store) -> None:
    furnish(store)

    def clogging(at: np.ndarray, values: Values) -> Values:
        dry = climate(at, ms(0), misted=False)[HUMIDITY]
        part = np.where(at < ms(8), 1.0, 0.5)
        return values | {HUMIDITY: dry + part * (values[HUMIDITY] - dry)}

    live(store, 15, changed=clogging)
    said = looked_back(store, "2026-03-02", "2026-03-15")["summary"]["sentences"]
    assert any(sentence.startswith("The misting near 12:00 is weakening.") for sentence in said)
