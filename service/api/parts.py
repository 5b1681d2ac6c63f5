"""What the pages and the HTTP interface are given: the store, the clock, and what the other parts say of themselves."""

import asyncio
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from sqlmodel import Session

from service.api.rhythms import Rhythms
from service.people.roles import Doors
from service.settings import Settings
from service.store.engine import Store
from service.store.facts import RoomFacts, facts_version, load_facts

MATTERS_NOT: Final = frozenset({"backup", "heartbeat"})
"""Components whose failure leaves the service ready: the outside watcher is told by its absence."""


PICTURE_RESTS_ON: Final = frozenset({"broker", "ingest", "watch"})
"""While one of these is not well, what a page shows may be old: it must not look live."""


@dataclass(frozen=True, slots=True)
class ComponentState:
    """How a part of the service is.

    Attributes
    ----------
    ok : bool
        Whether it does its work.
    said : str
        One sentence: what it does, or what is wrong and how to mend it.
    """

    ok: bool
    said: str


@dataclass(frozen=True, slots=True)
class PostedReading:
    """A reading that came by HTTP.

    Attributes
    ----------
    probe, quantity : str
        Keys; whether they exist is for the taker to say.
    value : float
        Finite. [unit]
    at_ms : int
        The probe's own time. [ms since 1970, UTC]
    unit : str or None
        None means the quantity's own.
    """

    probe: str
    quantity: str
    value: float
    at_ms: int
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of a batch of posted readings.

    Attributes
    ----------
    stored, repeated : int
        New ones, and ones that were stored before.
    refused : tuple of (int, str)
        Index in the batch, and the reason.
    """

    stored: int
    repeated: int
    refused: tuple[tuple[int, str], ...] = ()


class Wake:
    """A hint from any thread to the event loop that something was committed.

    Nothing depends on it but promptness: who waits also looks at the store from time to time.
    """

    def __init__(self) -> None:
        # Reentrant: a signal's handler may call `close` in the very thread that waits.
        self._lock = threading.RLock()
        self._count = 0
        self._closed = False
        self._waiting: dict[asyncio.Event, asyncio.AbstractEventLoop] = {}

    @property
    def count(self) -> int:
        """How often `notify` was called: hand it to `wait` to miss none."""
        return self._count

    @property
    def closed(self) -> bool:
        """Whether the service is stopping: live streams end."""
        return self._closed

    def notify(self) -> None:
        """Say that something was committed; from any thread, never blocks."""
        with self._lock:
            self._count += 1
            waiting, self._waiting = self._waiting, {}
        for event, loop in waiting.items():
            try:
                loop.call_soon_threadsafe(event.set)
            except RuntimeError:  # that loop has ended, and with it who waited
                continue

    def close(self) -> None:
        """Say that the service is stopping. Call it before the web server is told to stop, or it waits for streams."""
        self._closed = True
        self.notify()

    async def wait(self, seconds: float, since: int | None = None) -> int:
        """Wait for the next hint, at most so long.

        Parameters
        ----------
        seconds : float
            [s]
        since : int, optional
            `count` when the caller last looked: with later hints it returns at once.

        Returns
        -------
        int
            The count now.
        """
        event = asyncio.Event()
        with self._lock:
            if self._closed or (since is not None and self._count != since):
                return self._count
            self._waiting[event] = asyncio.get_running_loop()
        try:
            await asyncio.wait_for(event.wait(), seconds)
        except TimeoutError:
            pass
        finally:
            with self._lock:
                self._waiting.pop(event, None)
        return self._count


class KnownFacts:
    """The room's facts, loaded again only when they have changed."""

    def __init__(self) -> None:
        self._facts: RoomFacts | None = None

    def __call__(self, session: Session) -> RoomFacts:
        """Return the facts as of the session's state of the store."""
        known = self._facts
        if known is None or known.version != facts_version(session):
            # Two threads may both load: the same facts, and no lock is held while reading.
            known = self._facts = load_facts(session)
        return known


@dataclass(frozen=True)
class Parts:
    """What the pages and the HTTP interface work with; `service.main` puts it together.

    Attributes
    ----------
    store : Store
    settings : Settings
    now : callable
        The clock: an aware instant.
    component_states : callable
        How each part of the service is, by name; must answer at once.
    take_readings : callable
        Stores posted readings, committed when it returns.
    wake : Wake
        Hinted after each commit.
    facts : KnownFacts
        Call it with a session.
    rhythms : Rhythms
        Days and cadences, for `service.api.standing`.
    doors : Doors
        Who comes in without signing in.
    figures : callable
        What the parts tell of their work, by the names of `service.store.processes.FIGURES`.
    left : Wake
        Hinted when someone may have been signed out: live streams look at once whether their visitor still may.
    """

    store: Store
    settings: Settings
    now: Callable[[], datetime]
    component_states: Callable[[], Mapping[str, ComponentState]]
    take_readings: Callable[[Sequence[PostedReading]], Taken]
    wake: Wake
    facts: KnownFacts = field(default_factory=KnownFacts)
    rhythms: Rhythms = field(default_factory=Rhythms)
    doors: Doors = field(default_factory=Doors)
    figures: Callable[[], Mapping[str, float]] = dict
    left: Wake = field(default_factory=Wake)
