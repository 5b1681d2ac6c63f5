"""Several processes of one site: who does what, what each says of itself, and how each hears of the others' work."""

import threading
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from enum import StrEnum
from typing import Final

import structlog

from service.api.live import live_position
from service.api.parts import ComponentState
from service.errors import StoreUnusable
from service.store.engine import Store
from service.store.facts import facts_version
from service.store.processes import figures_of, parts_elsewhere, process_ends, report

log = structlog.get_logger("main")

LOOK_EVERY_S: Final = 0.25
"""How often a process looks for what others have stored. [s]"""


class Role(StrEnum):
    """What a process does of the whole."""

    INGEST = "ingest"
    WATCH = "watch"
    WEB = "web"
    JOBS = "jobs"


EVERYTHING: Final = frozenset(Role)
_NEEDED: Final = {"broker": Role.INGEST, "ingest": Role.INGEST, "watch": Role.WATCH, "telling": Role.JOBS}
"""Parts without which a room is not watched, and who does them."""


def follow(store: Store, changed: Callable[[], None], stop: threading.Event) -> None:
    """Tell when another process has stored readings, alarms or facts, until told to stop.

    Parameters
    ----------
    store : Store
    changed : callable
        Told each time.
    stop : Event
    """
    seen = None
    while not stop.wait(LOOK_EVERY_S):
        try:
            with store.read() as session:
                now = live_position(session), facts_version(session)
        except StoreUnusable:
            continue  # whoever works with it says so
        if now != seen:
            seen = now
            changed()


class Company:
    """What this process and the others of its site say of themselves.

    Parameters
    ----------
    store : Store
    name : str
        Of this process: the same after a restart.
    roles : frozenset of Role
        What it does.
    own_states, own_figures : callable
        Of this process.
    """

    def __init__(
        self,
        store: Store,
        name: str,
        roles: frozenset[Role],
        own_states: Callable[[], Mapping[str, ComponentState]],
        own_figures: Callable[[], Mapping[str, float]],
    ) -> None:
        self._store, self._name, self._roles = store, name, roles
        self._own_states, self._own_figures = own_states, own_figures
        self._elsewhere: dict[str, ComponentState] = {}
        self._figures: dict[str, float] = {}

    @property
    def is_alone(self) -> bool:
        """Whether this process does everything."""
        return self._roles == EVERYTHING

    def states(self) -> dict[str, ComponentState]:
        """Say how each part of the site is; its own are as they are now, the others' as last heard."""
        missing = {
            part: ComponentState(ok=False, said=f"no process does it: start `wardian {role}`")
            for part, role in _NEEDED.items()
            if role not in self._roles
        }
        return missing | self._elsewhere | dict(self._own_states())

    def figures(self) -> Mapping[str, float]:
        """Return the figures of the whole site."""
        return self._own_figures() if self.is_alone else self._figures

    def exchange(self) -> None:
        """Report, and hear what the others report. A job: errors are logged and it comes again."""
        now = datetime.now(UTC)
        own = {part: (state.ok, state.said) for part, state in self._own_states().items()}
        try:
            with self._store.write() as session:
                report(session, self._name, own, self._own_figures(), now)
            with self._store.read() as session:
                elsewhere = parts_elsewhere(session, self._name, now)
                self._figures = figures_of(session, self._name, self._own_figures())
        except StoreUnusable as exc:
            log.warning("not_reported", reason=str(exc))
            return
        self._elsewhere = {part: ComponentState(ok, said) for part, (ok, said) in elsewhere.items()}

    def leave(self, *, for_good: bool) -> None:
        """Stop reporting; an ingest worker whose messages wait for it is missed until it is back."""
        if self.is_alone or not for_good:
            return
        try:
            with self._store.write() as session:
                process_ends(session, self._name)
        except StoreUnusable as exc:
            log.warning("not_reported", reason=str(exc))
