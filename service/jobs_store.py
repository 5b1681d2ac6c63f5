"""What keeps the store small by the clock: quiet days are sealed, and old readings go where a rule says so."""

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

import structlog

from service.errors import StoreUnusable
from service.store.engine import Store
from service.store.retention import apply_retention, plan_retention
from service.store.sealing import Sealer

log = structlog.get_logger("jobs")

SEAL_S: Final = 300
RETENTION_FIRST_S, RETENTION_S = 600, 86_400
"""When what would be deleted is told for the first time, and how often it is deleted after that."""


@dataclass(slots=True)
class SealingJob:
    """Seals what has gone quiet since the last time, and leaves off when told to stop.

    Parameters
    ----------
    store : Store
    now_ms : callable
        The time. [ms since 1970, UTC]
    stop : Event
    """

    store: Store
    now_ms: Callable[[], int]
    stop: threading.Event
    _sealer: Sealer = field(init=False)

    def __post_init__(self) -> None:
        """Remember from one run to the next what is still being written to."""
        self._sealer = Sealer(self.store)

    def __call__(self) -> None:
        """Seal, transaction by transaction."""
        sealed = None
        try:
            for sealed in self._sealer.run(self.now_ms(), rest=self.stop.wait):  # noqa: B007 - the last one is told
                if self.stop.is_set():
                    break
        except StoreUnusable as exc:
            log.warning("days_not_sealed", reason=str(exc))
        if sealed is not None:
            log.info("days_sealed", readings=sealed.readings, longest_ms=round(sealed.longest_s * 1000))


@dataclass(slots=True)
class RetentionJob:
    """Deletes what a rule no longer keeps; the first run after a start only tells what that would be.

    Parameters
    ----------
    store : Store
    keep_days : int
    now_ms : callable
        The time. [ms since 1970, UTC]
    stop : Event
    """

    store: Store
    keep_days: int
    now_ms: Callable[[], int]
    stop: threading.Event
    told: bool = False

    def __call__(self) -> None:
        """Tell, or delete."""
        try:
            with self.store.read() as session:
                plans = plan_retention(session, self.keep_days, self.now_ms())
            days, readings = sum(len(plan.days) for plan in plans), sum(plan.readings for plan in plans)
            if not self.told:
                self.told = True
                log.warning("readings_will_be_deleted", keep_days=self.keep_days, channel_days=days, readings=readings)
                return
            deleted = 0
            for part in apply_retention(self.store, plans):
                deleted += part
                if self.stop.is_set():
                    break
            log.info("readings_deleted", keep_days=self.keep_days, readings=deleted)
        except StoreUnusable as exc:
            log.warning("readings_not_deleted", reason=str(exc))
