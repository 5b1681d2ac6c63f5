"""What tells people, wired together: the words of the conditions, the worker, and what watches the watching."""

import threading
import time
from collections.abc import Callable, Mapping
from datetime import timedelta
from typing import Final

from service.api.parts import ComponentState
from service.errors import StoreUnusable
from service.notify.messages import Wording
from service.notify.self_watch import SelfWatch
from service.notify.teller import Teller
from service.store.engine import Store
from service.store.facts import load_facts
from service.store.readings import newest_readings
from service.watch.conditions import CONDITIONS, PROBE_SILENT

_STALLED_S: Final = 30.0
FRESH_MS: Final = 15 * 60_000
"""So old the newest reading of a room with probes may be. Common practice, no source. [ms]"""


def wordings() -> dict[str, Wording]:
    """Return what is said of each condition."""
    return {
        key: Wording(one.title, one.next_step, one.caution or "", may_be_explained=one is PROBE_SILENT)
        for key, one in CONDITIONS.items()
    }


class Telling:
    """The worker that tells, and the watch over the service itself.

    Parameters
    ----------
    store : Store
    base : str
        The pages' public address; may be empty.
    now_ms : callable
        The time. [ms since 1970, UTC]
    states : callable
        How each part of the service is.
    changed : callable
        Told after alarms were recorded.
    """

    def __init__(
        self,
        store: Store,
        base: str,
        now_ms: Callable[[], int],
        states: Callable[[], Mapping[str, ComponentState]],
        changed: Callable[[], None],
    ) -> None:
        self._store, self._now_ms, self._changed = store, now_ms, changed
        self._teller = Teller(store, now_ms, wordings(), base)
        priorities = {key: one.priority for key, one in CONDITIONS.items()}
        self.self_watch = SelfWatch(store, now_ms, states, priorities, self._clock_step, self._recorded)

    def run(self, stop: threading.Event) -> None:
        """Tell until told to stop."""
        self._teller.run(stop)

    def wake(self) -> None:
        """Say that an alarm was recorded."""
        self._teller.woken.set()

    def state(self, *, is_alive: bool, routes: bool = True) -> ComponentState:
        """Say how the telling is: it works as long as somebody can be told. `routes`: whether that counts."""
        if not is_alive or time.monotonic() - self._teller.stepped_at > _STALLED_S:
            return ComponentState(ok=False, said="the telling stands still; restart the service and report its log")
        if self._teller.said or self.self_watch.store_said:
            return ComponentState(ok=False, said=f"nothing is told: {self._teller.said or self.self_watch.store_said}")
        return ComponentState(self.self_watch.routes_ok or not routes, self.self_watch.routes_said)

    def readings_are_fresh(self) -> bool:
        """Whether readings come, where probes are placed."""
        try:
            with self._store.read() as session:
                facts = load_facts(session)
                times = [row.at_ms for row in newest_readings(session)]
        except StoreUnusable:
            return False
        if not any(channel.placements for channel in facts.channels.values()):
            return True
        # One that lies far ahead was given its time before the clock was set back.
        return any(abs(self._now_ms() - at_ms) <= FRESH_MS for at_ms in times)

    def _clock_step(self) -> timedelta | None:
        step, self._teller.clock_step = self._teller.clock_step, None
        return step

    def _recorded(self) -> None:
        self._changed()
        self.wake()
