"""The transitions of ISA-18.2 / IEC 62682, carried with their sources in data/alarm_transitions.csv."""

import csv
from pathlib import Path

import pytest

from service.alarms.lifecycle import NEW, Event, Standing, State, after

with (Path(__file__).parent / "data" / "alarm_transitions.csv").open(encoding="utf-8", newline="") as file:
    ROWS = list(csv.DictReader(file))
STATES = {
    "NORM": State.NORMAL,
    "UNACK": State.UNACKNOWLEDGED,
    "ACKED": State.ACKNOWLEDGED,
    "RTNUN": State.RETURNED_UNACKNOWLEDGED,
    "SHLVD": State.SHELVED,
    "DSUPR": State.SUPPRESSED,
    "OOSRV": State.OUT_OF_SERVICE,
}
STANDINGS = {
    "NORM": NEW,
    "UNACK": Standing(State.UNACKNOWLEDGED, active=True),
    "ACKED": Standing(State.ACKNOWLEDGED, active=True),
    "RTNUN": Standing(State.RETURNED_UNACKNOWLEDGED, active=False),
}
EVENTS = (
    ("condition becomes true", Event.RAISE),
    ("operator acknowledges", Event.ACKNOWLEDGE),
    ("condition becomes false", Event.RETURN),
    ("re-alarm", Event.REALARM),
)
# One row of the record is one occurrence: a condition that comes again begins a new one, in UNACK as the row asks.
PLAIN = [row for row in ROWS if row["from"] in STANDINGS and not (row["from"] == "RTNUN" and "true" in row["event"])]


@pytest.mark.parametrize("row", PLAIN, ids=lambda row: f"{row['from']} {row['event'][:30]}")
def test_each_transition_of_the_model_is_ours(row: dict[str, str]) -> None:
    event = next(ours for words, ours in EVENTS if row["event"].startswith(words))
    assert after(STANDINGS[row["from"]], event).state is STATES[row["to"]]


@pytest.mark.parametrize(
    ("event", "state"), [(Event.SHELVE, "SHLVD"), (Event.SUPPRESS, "DSUPR"), (Event.TAKE_OUT, "OOSRV")]
)
@pytest.mark.parametrize("active", [True, False])
def test_what_is_held_back_comes_out_as_the_condition_is_now(event: Event, state: str, active: bool) -> None:
    held = after(STANDINGS["UNACK" if active else "RTNUN"], event)
    assert held.state is STATES[state]
    assert after(held, Event.RELEASE).state is STATES["UNACK" if active else "NORM"]


def test_the_table_is_used() -> None:
    assert len(ROWS) == 13
    assert len(PLAIN) == 6
