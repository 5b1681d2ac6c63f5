"""States and transitions of an alarm."""

import pytest

from service.alarms.lifecycle import Event, IllegalTransitionError, State, next_state


@pytest.mark.parametrize(
    ("events", "state"),
    [
        ([Event.RAISE], State.UNACKNOWLEDGED),
        ([Event.RAISE, Event.ACKNOWLEDGE], State.ACKNOWLEDGED),
        ([Event.RAISE, Event.RETURN], State.RETURNED_UNACKNOWLEDGED),
        ([Event.RAISE, Event.ACKNOWLEDGE, Event.RETURN], State.NORMAL),
        ([Event.RAISE, Event.RETURN, Event.ACKNOWLEDGE], State.NORMAL),
    ],
)
def test_an_alarm_goes_from_raised_to_normal_by_either_way(events: list[Event], state: State) -> None:
    stands = State.NORMAL
    for event in events:
        stands = next_state(stands, event)
    assert stands == state


@pytest.mark.parametrize(
    ("state", "event"),
    [(State.NORMAL, Event.ACKNOWLEDGE), (State.ACKNOWLEDGED, Event.ACKNOWLEDGE), (State.UNACKNOWLEDGED, Event.RAISE)],
)
def test_what_cannot_happen_is_refused_in_a_sentence(state: State, event: Event) -> None:
    with pytest.raises(IllegalTransitionError, match=f"an alarm that is {state} cannot {event}"):
        next_state(state, event)
