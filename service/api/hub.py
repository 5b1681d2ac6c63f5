"""One task looks at the store and hands what is new to every client of the live stream."""

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import orjson
import structlog
from sqlmodel import Session

from service.api.alarms import keys_of
from service.api.answers import alarm_answer, transition_answer, written
from service.api.hold_news import HoldNews
from service.api.parts import PICTURE_RESTS_ON, Parts
from service.api.zone_values import unit_of
from service.errors import WardianError
from service.model import AlarmTransition, from_ms
from service.store.alarms import get_alarm, last_transition, transitions_after
from service.store.facts import RoomFacts, facts_version
from service.store.history import corrected_value
from service.store.readings import Newest, newest_readings, number
from service.store.unclaimed import unclaimed_version

PULSE_S: Final = 5.0
"""A client that has heard nothing for longer is cut off from the service, and must say so."""
LONGEST_WAIT_S: Final = 1.0
SHORTEST_WAIT_S: Final = 0.05
READINGS_WAIT_PER_CLIENT_S: Final = 0.001
"""With many clients readings come in fewer, larger events: sending, not reading, is the work. Alarms never wait."""
LONGEST_QUEUE: Final = 256
"""Events that a client may lie behind before it is cut off; it resumes when it comes back. [events]"""
_PAGE: Final = 500
_RETRY: Final = b"retry: 2000\n\n"

_log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Position:
    """How far a client has come: the last write of readings, and the last alarm transition."""

    write: int
    transition: int

    def __str__(self) -> str:
        """Write it as an event's id."""
        return f"{self.write}-{self.transition}"

    @classmethod
    def parse(cls, text: str) -> "Position":
        """Read an event's id."""
        write, _, transition = text.partition("-")
        return cls(int(write), int(transition))


@dataclass(frozen=True, slots=True)
class Frame:
    """One event as it is sent, and the position after it."""

    position: Position
    is_alarm: bool
    body: bytes

    def is_beyond(self, reached: Position) -> bool:
        """Whether a client that has come so far does not know it yet."""
        if self.is_alarm:
            return self.position.transition > reached.transition
        return self.position.write > reached.write


def position(session: Session) -> Position:
    """Return where the store stands."""
    return Position(number(session, "write"), last_transition(session))


class Client:
    """A listener with a bounded queue; used in the event loop alone."""

    def __init__(self) -> None:
        self._frames: deque[Frame | bytes] = deque()
        self._ready = asyncio.Event()
        self._ended = False

    @property
    def has_ended(self) -> bool:
        """Whether its stream ends once the queue is empty."""
        return self._ended

    def give(self, frame: Frame | bytes) -> None:
        """Queue an event; when the queue is full the client is cut off instead."""
        if len(self._frames) >= LONGEST_QUEUE:
            # It can take no more, and what it misses it gets when it resumes.
            self._frames.clear()
            self.end()
        elif not self._ended:
            self._frames.append(frame)
            self._ready.set()

    def end(self) -> None:
        """Let the stream end once the queue is empty."""
        self._ended = True
        self._ready.set()

    async def take(self) -> Frame | bytes | None:
        """Return the next event, or None at the end."""
        while not self._frames:
            if self._ended:
                return None
            self._ready.clear()
            await self._ready.wait()
        return self._frames.popleft()


class Hub:
    """Fans out what is new in the store, from one look for all clients.

    It works while somebody listens, wakes when `Parts.wake` is hinted, and looks at least once a second.

    Parameters
    ----------
    parts : Parts
    """

    def __init__(self, parts: Parts) -> None:
        self._parts = parts
        self._clients: set[Client] = set()
        self._position = Position(0, 0)
        self._heard: tuple[int, int] | None = None
        self._task: asyncio.Task[None] | None = None
        self._joining = asyncio.Lock()
        self._readable = True
        self._holds = HoldNews()

    @property
    def clients(self) -> int:
        """How many listen."""
        return len(self._clients)

    async def open(self, last: Position | None) -> AsyncIterator[bytes]:
        """Return the stream of a new client.

        Parameters
        ----------
        last : Position, optional
            Where the client left off: it gets every alarm transition after it, and the newest reading of each channel
            that a later write touched. Without it the stream begins with the newest reading of every channel.

        Raises
        ------
        StoreUnusable
            When the store cannot be read.
        """
        return self._stream(await asyncio.to_thread(self._begin, last))

    async def close(self) -> None:
        """End every stream."""
        self._end_all()
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
            self._task = None

    def _end_all(self) -> None:
        for client in self._clients:
            client.end()

    def _stands(self) -> Position:
        with self._parts.store.read() as session:
            return position(session)

    def _begin(self, last: Position | None) -> Position:
        """Return where a client begins; a position that the store has not reached is another store's."""
        stands = self._stands()
        if last is None or last.write > stands.write or last.transition > stands.transition:
            return Position(-1, stands.transition)
        return last

    async def _stream(self, start: Position) -> AsyncIterator[bytes]:
        """Yield what a client missed until it joined, then what its queue brings."""
        client = Client()
        try:
            until = await self._join(client)
            yield _RETRY
            # Even a client that gets nothing else can resume from here.
            yield self._pulse(Position(max(start.write, 0), start.transition))
            async for frame in self._missed(start, until):
                yield frame.body
            # A client may know more already than the hub had seen when it joined.
            reached = Position(max(start.write, until.write), max(start.transition, until.transition))
            while (frame := await client.take()) is not None:
                if isinstance(frame, bytes):
                    yield frame
                elif frame.is_beyond(reached):
                    yield frame.body
        finally:
            self._clients.discard(client)

    async def _join(self, client: Client) -> Position:
        """Let a client have all that comes after the position that is returned."""
        async with self._joining:
            if self._task is None or self._task.done():
                self._position = await asyncio.to_thread(self._stands)
                self._clients.add(client)
                self._task = asyncio.create_task(self._run())
            else:
                self._clients.add(client)
            if self._parts.wake.closed:
                client.end()
            return self._position

    async def _missed(self, start: Position, until: Position) -> AsyncIterator[Frame]:
        here = start
        if start.write < until.write:
            frames, here = await asyncio.to_thread(self._readings_until, start, until)
            for frame in frames:
                yield frame
        while here.transition < until.transition:
            frames, here = await asyncio.to_thread(self._transitions_until, here, until)
            for frame in frames:
                yield frame

    def _readings_until(self, start: Position, until: Position) -> tuple[list[Frame], Position]:
        here = Position(until.write, start.transition)
        with self._parts.store.read() as session:
            # What a later write has touched since comes through the queue.
            rows = [row for row in newest_readings(session, start.write) if row.write <= until.write]
            return _readings_frames(self._parts.facts(session), rows, here), here

    def _transitions_until(self, here: Position, until: Position) -> tuple[list[Frame], Position]:
        with self._parts.store.read() as session:
            page = [t for t in transitions_after(session, here.transition, _PAGE) if (t.id or 0) <= until.transition]
            frames = _alarm_frames(session, self._parts.facts(session), page, here.write)
        # Without a full page nothing is left.
        return frames, frames[-1].position if len(page) == _PAGE else Position(here.write, until.transition)

    async def _run(self) -> None:
        """Look, hand out, wait; until nobody listens or the service stops."""
        try:
            await self._look_and_wait()
        finally:
            # Whatever happened: a client whose stream ends comes back and resumes, one that waits in vain does not.
            self._end_all()

    async def _look_and_wait(self) -> None:
        loop, wake = asyncio.get_running_loop(), self._parts.wake
        next_pulse, next_readings = loop.time() + PULSE_S, 0.0
        while self._clients and not wake.closed:
            seen, began = wake.count, loop.time()
            with_readings = began >= next_readings
            if await self._look(with_readings) and with_readings:
                next_readings = began + READINGS_WAIT_PER_CLIENT_S * len(self._clients)
            if began >= next_pulse:
                next_pulse = began + PULSE_S
                self._give([self._pulse()])
            wait = min(LONGEST_WAIT_S, next_pulse - loop.time())
            if not with_readings:
                wait = min(wait, next_readings - loop.time())
            await wake.wait(max(wait, 0), since=seen)
            await asyncio.sleep(max(0.0, began + SHORTEST_WAIT_S - loop.time()))

    async def _look(self, with_readings: bool) -> bool:
        """Hand out what is new; say whether anything was."""
        try:
            frames, self._position = await asyncio.to_thread(self._news, self._position, with_readings)
        except WardianError as exc:
            if self._readable:
                _log.error("live_stream_cannot_read", reason=str(exc))
            self._readable = False
            return False
        self._readable = True
        self._give(frames)
        return bool(frames)

    def _give(self, frames: Sequence[Frame | bytes]) -> None:
        for client in tuple(self._clients):
            for frame in frames:
                client.give(frame)
            if client.has_ended:
                self._clients.discard(client)

    def _news(self, since: Position, with_readings: bool) -> tuple[list[Frame | bytes], Position]:
        """Read what came after a position, in one state of the store."""
        frames: list[Frame | bytes] = []
        with self._parts.store.read() as session:
            # Without an id: a page that missed one sees it when it is next drawn.
            frames += [_event("hold", told) for told in self._holds.news(session, self._parts.facts(session))]
            heard = unclaimed_version(session), facts_version(session)
            if heard != self._heard:
                self._heard = heard
                frames.append(_event("probes", {}))
            write = number(session, "write") if with_readings else since.write
            transitions = transitions_after(session, since.transition, _PAGE)
            if write == since.write and not transitions:
                return frames, since
            facts = self._parts.facts(session)
            here = Position(write, since.transition)
            if write != since.write:
                frames += _readings_frames(facts, newest_readings(session, since.write), here)
            frames += _alarm_frames(session, facts, transitions, write)
        return frames, Position(write, transitions[-1].id or 0) if transitions else here

    def _pulse(self, at: Position | None = None) -> bytes:
        """Return the event that says that the stream lives, and whether all that matters is well."""
        states = self._parts.component_states()
        ok = self._readable and all(state.ok for name, state in states.items() if name in PICTURE_RESTS_ON)
        # Later ones have no id: a client may have come further than the hub.
        return _event("pulse", {"at": written(self._parts.now()), "ok": ok}, at)


def _event(name: str, data: dict[str, Any], at: Position | None = None) -> bytes:
    head = b"" if at is None else b"id: %s\n" % str(at).encode()
    return b"%sevent: %s\ndata: %s\n\n" % (head, name.encode(), orjson.dumps(data))


def _readings_frames(facts: RoomFacts, rows: Sequence[Newest], here: Position) -> list[Frame]:
    """Return the event of these readings; none when no channel is placed."""
    readings: list[dict[str, Any]] = []
    for row in rows:
        channel = facts.channels.get(row.channel_id)
        placement = channel.placement_at(row.at_ms) if channel else None
        enclosure = facts.enclosures.get(placement.enclosure_id) if placement else None
        if channel is None or placement is None or enclosure is None:
            continue
        readings.append(
            {
                "enclosure": enclosure.key,
                "zone": placement.zone,
                "quantity": channel.quantity,
                "channel": channel.key,
                "at": written(from_ms(row.at_ms)),
                "value": corrected_value(channel, row.at_ms, row.value),
                "unit": unit_of(channel.quantity),
            }
        )
    if not readings:
        return []
    return [Frame(here, False, _event("readings", {"readings": readings}, here))]


def _alarm_frames(
    session: Session, facts: RoomFacts, transitions: Sequence[AlarmTransition], write: int
) -> list[Frame]:
    """Return one event a transition, with the alarm as it is now."""
    keys = keys_of(facts) if transitions else ({}, {})
    frames: list[Frame] = []
    for transition in transitions:
        here = Position(write, transition.id or 0)
        alarm = alarm_answer(get_alarm(session, transition.alarm_id), *keys).model_dump(mode="json")
        alarm["transition"] = transition_answer(transition).model_dump(mode="json")
        frames.append(Frame(here, True, _event("alarm", alarm, here)))
    return frames
