"""Where each channel's time stands, and what becomes of it when the computer's clock is set back.

A small step back, as time servers make them, keeps readings in order: each gets at least a millisecond more than the
last. After a larger one readings have the clock's own time again, so that the delays of alarms pass between them. They
stand beside those of the hour that is lived through again, and their *turn* tells them apart: how often the channel's
time went back. What came first is told by turn and time.
"""

from dataclasses import dataclass
from typing import Final

from sqlmodel import Session

from service.ingest.times import Dated
from service.model import RELIVED_MS, TURN_BITS, Flag
from service.store.readings import Newest, free_time, newest_time

STEP_BACK_MS: Final = 2_000
"""A clock that goes back by more than this was set back. Common practice, no source. [ms]"""
_ARRIVAL, _LATE = int(Flag.ARRIVAL_CLOCK), int(Flag.LATE)
_SET_BACK, _JUDGED = int(Flag.CLOCK_SET_BACK), int(Flag.CLOCK_SET_BACK | Flag.DELAYED)
_NEXT_TURN: Final = TURN_BITS & -TURN_BITS


@dataclass(frozen=True, slots=True)
class _Relived:
    """Times that a channel had before its clock was set back: until when, and how readings of them are flagged."""

    until_ms: int
    flags: int


class ChannelTimes:
    """The times that channels have been given by one worker, and what it knows of the others'."""

    def __init__(self) -> None:
        self._heard_ms: int | None = None
        self._was_ms = 0
        # At first nobody knows whether the clock was set back while we were away.
        self._steps_back = 1
        self._followed: dict[int, int] = {}
        self._newest: dict[int, int] = {}
        self._last_arrival: dict[int, int] = {}
        self._turns: dict[int, int] = {}
        self._relived: dict[int, _Relived] = {}

    def forget(self) -> None:
        """Begin anew with what is stored."""
        for known in (self._followed, self._newest, self._last_arrival, self._turns, self._relived):
            known.clear()

    def newest(self, channel_id: int) -> int | None:
        """Return a channel's newest time since the clock was last set back [ms since 1970, UTC]."""
        return self._newest.get(channel_id)

    def last_arrival(self, channel_id: int) -> int | None:
        """Return the last time that was taken from our clock, since it was last set back [ms since 1970, UTC]."""
        return self._last_arrival.get(channel_id)

    def take_up(self, session: Session, state: Newest) -> None:
        """Take up where another process left a channel."""
        channel_id, turn = state.channel_id, state.flags & TURN_BITS
        if turn != self._turns.get(channel_id, 0):
            self._turns[channel_id] = turn
            self._last_arrival.pop(channel_id, None)
        self._newest[channel_id] = state.at_ms
        if state.flags & _ARRIVAL:
            self._last_arrival[channel_id] = state.at_ms
        if state.flags & _SET_BACK and channel_id not in self._relived:
            self._relived[channel_id] = _Relived(newest_time(session, channel_id) or 0, state.flags & _JUDGED)

    def hear(self, arrival_ms: int) -> None:
        """Look at our clock, message by message. [ms since 1970, UTC]."""
        if self._heard_ms is not None and arrival_ms < self._heard_ms - STEP_BACK_MS:
            self._steps_back += 1
            self._was_ms = self._heard_ms
            self._heard_ms = arrival_ms
        elif self._heard_ms is None or arrival_ms > self._heard_ms:
            self._heard_ms = arrival_ms

    def turns_back(self, channel_id: int, arrival_ms: int) -> bool:
        """Whether a channel's time has to go back, because our clock was since it was last heard. [ms since 1970, UTC].

        Another worker's clock that is ahead of ours makes no time go back: ours must have been set.
        """
        if self._followed.get(channel_id) == self._steps_back:
            return False
        self._followed[channel_id] = self._steps_back
        newest = self._newest.get(channel_id)
        return newest is not None and arrival_ms < newest - STEP_BACK_MS

    def turn_back(self, session: Session, channel_id: int, arrival_ms: int) -> None:
        """Let a channel's time go back; everything that it has said so far must be stored. [ms since 1970, UTC]."""
        until_ms = newest_time(session, channel_id) or 0
        is_short = max(until_ms, self._was_ms) - arrival_ms <= RELIVED_MS
        self._turns[channel_id] = (self._turns.get(channel_id, 0) + _NEXT_TURN) & TURN_BITS
        self._relived[channel_id] = _Relived(until_ms, _JUDGED if is_short else _SET_BACK)
        self._newest.pop(channel_id, None)
        self._last_arrival.pop(channel_id, None)

    def place(self, session: Session, channel_id: int, dated: Dated) -> tuple[int, int]:
        """Return the time [ms since 1970, UTC] and the flags of a channel's next reading."""
        at_ms, flags = dated.at_ms, dated.flags | self._turns.get(channel_id, 0)
        relived = self._relived.get(channel_id)
        if relived is not None:
            if at_ms > relived.until_ms:
                del self._relived[channel_id]
            else:
                flags |= relived.flags
                at_ms = free_time(session, channel_id, at_ms) if flags & _ARRIVAL else at_ms
        newest = self._newest.get(channel_id)
        if newest is not None and at_ms < newest:
            flags |= _LATE
        else:
            self._newest[channel_id] = at_ms
        if flags & _ARRIVAL:
            self._last_arrival[channel_id] = at_ms
        return at_ms, flags
