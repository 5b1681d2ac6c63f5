"""What a message says fits into an SMS, whatever the condition, and keeps its caution and its link."""

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.main_telling import wordings
from service.notify.audience import Listener, Step, awake_from, is_awake, told_at_once, told_in
from service.notify.messages import LONGEST_BODY, LONGEST_TITLE, Frame, Told, message_of
from service.watch.conditions import CONDITIONS
from tests.builders import NOON

WORDINGS = wordings()
FRAME = Frame(NOON, ZoneInfo("Europe/Lisbon"), "North house", "https://wardian.example.org")
LISBON = ZoneInfo("Europe/Lisbon")


def told(condition: str, number: int = 1, **changes: object) -> Told:
    usual = {
        "kind": "raised", "alarm_id": number, "condition": condition, "priority": CONDITIONS[condition].priority,
        "wording": WORDINGS[condition], "place": "Dendrobates tinctorius 12, cool end",
        "began": NOON - timedelta(minutes=4), "returned": None, "value": 41.23, "peak": 42.0, "limit": 38.0,
        "unit": "Cel",
        "cause": "Only the basking zone is hot: likely lamp too close, bulb changed, or thermostat probe moved.",
    }  # fmt: skip
    return Told(**(usual | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize("condition", CONDITIONS)
def test_every_condition_fits_with_what_to_do_the_caution_and_the_link(condition: str) -> None:
    message = message_of([told(condition)], FRAME)
    assert len(message.title) <= LONGEST_TITLE
    assert len(message.body) <= LONGEST_BODY
    assert message.body.endswith("https://wardian.example.org/alarms/1")
    assert "41.2 °C, limit 38.0 °C, at its worst 42.0 °C, since 11:56" in message.body
    assert CONDITIONS[condition].next_step in message.body
    assert (CONDITIONS[condition].caution or "") in message.body


@given(
    st.lists(
        st.tuples(st.sampled_from(sorted(CONDITIONS)), st.sampled_from(["raised", "escalated", "returned"]), st.text()),
        min_size=1, max_size=70,
    )
)  # fmt: skip
def test_any_number_of_things_fit_and_the_most_urgent_comes_first(found: list[tuple[str, str, str]]) -> None:
    things = [told(key, number, kind=kind, place=place) for number, (key, kind, place) in enumerate(found, 1)]
    message = message_of(things, FRAME)
    assert len(message.title) <= LONGEST_TITLE
    assert len(message.body) <= LONGEST_BODY
    standing = [one for one in things if one.kind != "returned"]
    assert (message.tone == "well") == (not standing)
    if standing:
        assert message.tone == min((one.priority for one in standing), key=("high", "medium", "low").index)


LISTENERS = st.lists(
    st.builds(
        Listener, st.integers(1, 99), st.sampled_from("ABCDE"), st.sampled_from(["low", "medium", "high"]), st.none()
    ),
    unique_by=lambda one: one.name,
)
STEPS = st.lists(
    st.builds(Step, st.integers(1, 9), st.just(timedelta(minutes=1)), st.lists(st.sampled_from("ABCDE")).map(tuple)),
    unique_by=lambda step: step.number,
).map(lambda steps: sorted(steps, key=lambda step: step.number))


@given(LISTENERS, STEPS, st.sampled_from(["low", "medium", "high"]))
def test_whoever_can_be_told_at_all_an_alarm_is_told_to_somebody_at_once(
    listeners: list[Listener], steps: list[Step], priority: str
) -> None:
    at_once = told_at_once(listeners, steps, priority)
    later = [one for step in steps for one in told_in(listeners, step, priority)]
    can = [
        one
        for one in listeners
        if ("low", "medium", "high").index(one.least) <= ("low", "medium", "high").index(priority)
    ]
    assert bool(at_once) == bool(can)
    assert {one.name for one in at_once} | {one.name for one in later} == {one.name for one in can}


@given(
    st.datetimes(min_value=NOON.replace(tzinfo=None), max_value=NOON.replace(year=2027, tzinfo=None)),
    st.times(),
    st.times(),
)
def test_hours_begin_when_they_say_also_over_midnight_and_when_clocks_change(
    at: datetime, start: time, end: time
) -> None:
    hours = f"{start:%H:%M}-{end:%H:%M}"
    now = at.replace(tzinfo=NOON.tzinfo)
    opens = awake_from(hours, now, LISBON)
    assert now < opens <= now + timedelta(hours=49)
    assert is_awake(None, now, LISBON)
    if f"{start:%H:%M}" != f"{end:%H:%M}" and not is_awake(hours, now, LISBON):
        assert opens <= now + timedelta(hours=25)
