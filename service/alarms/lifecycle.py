"""The states of an alarm and what changes them (pure), after ISA-18.2 / IEC 62682.

::

    normal ──raise──▶ unacknowledged ──acknowledge──▶ acknowledged
                        ▲   │      ▲                   │      │
                        │ return   └────re-alarm───────┘    return
                        │   ▼                                 ▼
                        │  returned, unacknowledged ──ack──▶ normal
                        │
          any of these ──shelve, suppress, take out──▶ shelved, suppressed by design, out of service
                        └────────release: the state is what the condition says now

A row of the record is one occurrence: from raised to normal. What is held back stays held back for the next
occurrence too, as long as the hold lasts (`service.store.holds`).
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final


class State(StrEnum):
    """Where an alarm stands; the words are the standard's."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned, unacknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


class Event(StrEnum):
    """What happens to an alarm."""

    RAISE = "raise"
    RETURN = "return"
    ACKNOWLEDGE = "acknowledge"
    REALARM = "re-alarm"
    SHELVE = "shelve"
    SUPPRESS = "suppress"
    TAKE_OUT = "take out of service"
    RELEASE = "release"


HELD: Final = {
    Event.SHELVE: State.SHELVED,
    Event.SUPPRESS: State.SUPPRESSED,
    Event.TAKE_OUT: State.OUT_OF_SERVICE,
}
"""What holds an alarm back, and the state that it is in then."""
HELD_STATES: Final = frozenset(HELD.values())
STANDING: Final = frozenset({State.UNACKNOWLEDGED, State.ACKNOWLEDGED})
"""The condition holds, and the alarm is told."""
OPEN: Final = STANDING | {State.RETURNED_UNACKNOWLEDGED}
"""Someone still has to look at it."""


class IllegalTransitionError(ValueError):
    """An event that cannot happen in that state; the text says why."""


@dataclass(frozen=True, slots=True)
class Standing:
    """Where one occurrence of an alarm stands.

    Attributes
    ----------
    state : State
    active : bool
        Whether its condition holds; known also while it is held back.
    """

    state: State = State.NORMAL
    active: bool = False


NEW: Final = Standing()


def after(standing: Standing, event: Event) -> Standing:
    """Return where an alarm stands after an event.

    Raises
    ------
    IllegalTransitionError
        Where the standard's model has no such transition.

    References
    ----------
    .. [1] ISA-18.2-2016 / IEC 62682:2014, alarm state model.
    """
    changed = _after(standing, event)
    if changed is None:
        raise IllegalTransitionError(f"an alarm that is {standing.state} cannot {_words(event)}")
    return changed


def _words(event: Event) -> str:
    return {
        Event.RAISE: "be raised again",
        Event.RETURN: "return to normal",
        Event.REALARM: "be announced again",
    }.get(event, f"be {_PARTICIPLES.get(event, event)}")


_PARTICIPLES: Final = {
    Event.ACKNOWLEDGE: "acknowledged",
    Event.SHELVE: "shelved",
    Event.SUPPRESS: "suppressed",
    Event.TAKE_OUT: "taken out of service",
    Event.RELEASE: "released",
}


def _after(standing: Standing, event: Event) -> Standing | None:
    state, active = standing.state, standing.active
    if event in HELD:
        # A closed occurrence is history: nothing of it can be held back.
        return replace(standing, state=HELD[event]) if state in OPEN else None
    match event:
        case Event.RAISE:
            return Standing(State.UNACKNOWLEDGED, active=True) if standing == NEW else None
        case Event.RETURN:
            return _returned(state) if active else None
        case Event.ACKNOWLEDGE:
            acknowledged = {State.UNACKNOWLEDGED: State.ACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED: State.NORMAL}
            return replace(standing, state=acknowledged[state]) if state in acknowledged else None
        case Event.REALARM:
            return replace(standing, state=State.UNACKNOWLEDGED) if state is State.ACKNOWLEDGED else None
        case _:
            return _released(active) if state in HELD_STATES else None


def _returned(state: State) -> Standing:
    ends = {State.UNACKNOWLEDGED: State.RETURNED_UNACKNOWLEDGED, State.ACKNOWLEDGED: State.NORMAL}
    return Standing(ends.get(state, state), active=False)


def _released(active: bool) -> Standing:
    """Return the state that the condition gives now: an active one is unacknowledged, whoever saw it before."""
    return Standing(State.UNACKNOWLEDGED if active else State.NORMAL, active)
