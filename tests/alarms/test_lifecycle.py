"""States and transitions of an alarm."""

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from service.alarms.lifecycle import (
    HELD_STATES,
    NEW,
    OPEN,
    Event,
    IllegalTransitionError,
    Standing,
    State,
    after,
)


def stands(*events: Event) -> State:
    standing = NEW
    for event in events:
        standing = after(standing, event)
    return standing.state


RAISE, RETURN, ACKNOWLEDGE, RELEASE = Event.RAISE, Event.RETURN, Event.ACKNOWLEDGE, Event.RELEASE


@pytest.mark.parametrize(
    ("events", "state"),
    [
        ([RAISE], State.UNACKNOWLEDGED),
        ([RAISE, ACKNOWLEDGE], State.ACKNOWLEDGED),
        ([RAISE, RETURN], State.RETURNED_UNACKNOWLEDGED),
        ([RAISE, ACKNOWLEDGE, RETURN], State.NORMAL),
        ([RAISE, RETURN, ACKNOWLEDGE], State.NORMAL),
        ([RAISE, ACKNOWLEDGE, Event.REALARM], State.UNACKNOWLEDGED),
        ([RAISE, Event.SHELVE], State.SHELVED),
        ([RAISE, Event.SHELVE, RELEASE], State.UNACKNOWLEDGED),
        ([RAISE, ACKNOWLEDGE, Event.SHELVE, RELEASE], State.UNACKNOWLEDGED),
        ([RAISE, Event.SHELVE, RETURN], State.SHELVED),
        ([RAISE, Event.SHELVE, RETURN, RELEASE], State.NORMAL),
        ([RAISE, Event.SUPPRESS], State.SUPPRESSED),
        ([RAISE, Event.TAKE_OUT, RETURN, RELEASE], State.NORMAL),
    ],
)
def test_an_alarm_goes_the_ways_of_the_standard(events: list[Event], state: State) -> None:
    assert stands(*events) == state


@pytest.mark.parametrize(
    ("events", "event", "said"),
    [
        ([], ACKNOWLEDGE, "an alarm that is normal cannot be acknowledged"),
        ([RAISE, ACKNOWLEDGE], ACKNOWLEDGE, "an alarm that is acknowledged cannot be acknowledged"),
        ([RAISE], RAISE, "an alarm that is unacknowledged cannot be raised again"),
        ([RAISE, Event.SHELVE], ACKNOWLEDGE, "an alarm that is shelved cannot be acknowledged"),
        ([RAISE], RELEASE, "an alarm that is unacknowledged cannot be released"),
        ([RAISE, RETURN, ACKNOWLEDGE], Event.SHELVE, "an alarm that is normal cannot be shelved"),
        ([RAISE, RETURN], RETURN, "an alarm that is returned, unacknowledged cannot return to normal"),
    ],
)
def test_what_cannot_happen_is_refused_in_a_sentence(events: list[Event], event: Event, said: str) -> None:
    standing = NEW
    for earlier in events:
        standing = after(standing, earlier)
    with pytest.raises(IllegalTransitionError, match=said):
        after(standing, event)


class AnyAlarm(RuleBasedStateMachine):
    """Whatever happens to an alarm in whatever order."""

    def __init__(self) -> None:
        super().__init__()
        self.standing = NEW
        self.record: list[Standing] = []

    @rule(event=st.sampled_from(list(Event)))
    def something_happens(self, event: Event) -> None:
        try:
            self.standing = after(self.standing, event)
        except IllegalTransitionError:
            return
        self.record.append(self.standing)

    @invariant()
    def what_stands_is_active_and_what_is_over_is_not(self) -> None:
        state, active = self.standing.state, self.standing.active
        if state in {State.UNACKNOWLEDGED, State.ACKNOWLEDGED}:
            assert active
        if state in {State.NORMAL, State.RETURNED_UNACKNOWLEDGED}:
            assert not active

    @invariant()
    def no_alarm_vanishes_without_a_record(self) -> None:
        assert self.standing == (self.record[-1] if self.record else NEW)

    @invariant()
    def no_state_is_a_dead_end_but_the_closed_one(self) -> None:
        if self.standing.state in OPEN | HELD_STATES:
            ways = [event for event in Event if _possible(self.standing, event)]
            assert ways


def _possible(standing: Standing, event: Event) -> bool:
    try:
        after(standing, event)
    except IllegalTransitionError:
        return False
    return True


TestAnyAlarm = AnyAlarm.TestCase
TestAnyAlarm.settings = settings(max_examples=60, stateful_step_count=25, deadline=None)


def test_every_state_can_be_reached_and_left() -> None:
    reached, edge = {NEW}, [NEW]
    while edge:
        standing = edge.pop()
        for event in Event:
            if _possible(standing, event) and (found := after(standing, event)) not in reached:
                reached.add(found)
                edge.append(found)
    assert {standing.state for standing in reached} == set(State)
