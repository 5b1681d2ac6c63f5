"""The states of an alarm and what changes them (pure), after ISA-18.2 / IEC 62682.

::

    normal ──raise──▶ unacknowledged ──acknowledge──▶ acknowledged
                            │                              │
                          return                         return
                            ▼                              ▼
              returned, unacknowledged ──acknowledge──▶ normal
"""

from enum import StrEnum
from typing import Final


class State(StrEnum):
    """Where an alarm stands; the words are the standard's."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned, unacknowledged"


class Event(StrEnum):
    """What happens to an alarm."""

    RAISE = "raise"
    RETURN = "return"
    ACKNOWLEDGE = "acknowledge"


STANDING: Final = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
"""The condition holds."""
OPEN: Final = (*STANDING, State.RETURNED_UNACKNOWLEDGED)
"""Someone still has to look at it."""

_NEXT: Final[dict[tuple[State, Event], State]] = {
    (State.NORMAL, Event.RAISE): State.UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Event.ACKNOWLEDGE): State.ACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Event.RETURN): State.RETURNED_UNACKNOWLEDGED,
    (State.ACKNOWLEDGED, Event.RETURN): State.NORMAL,
    (State.RETURNED_UNACKNOWLEDGED, Event.ACKNOWLEDGE): State.NORMAL,
}


class IllegalTransitionError(ValueError):
    """An event that cannot happen in that state; the text says why."""


def next_state(state: State, event: Event) -> State:
    """Return the state after an event.

    Raises
    ------
    IllegalTransitionError
        Where the standard's model has no such transition.

    References
    ----------
    .. [1] ISA-18.2-2016 / IEC 62682:2014, alarm state model.
    """
    after = _NEXT.get((state, event))
    if after is None:
        raise IllegalTransitionError(f"an alarm that is {state} cannot {event}")
    return after
