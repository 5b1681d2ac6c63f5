"""What runs by the clock, and when."""

from collections.abc import Callable
from dataclasses import dataclass

import httpx
import structlog
from apscheduler.schedulers.background import BackgroundScheduler

from service.errors import WardianError
from service.notify.heartbeat import beat

log = structlog.get_logger("jobs")

HEARTBEAT_S = 60
REVIVE_S = 2


def _revive(revive_broker: Callable[[], bool]) -> None:
    try:
        if revive_broker():
            log.warning("broker_started_again")
    except WardianError as exc:
        log.warning("broker_not_started", reason=str(exc))


@dataclass(slots=True)
class Heartbeat:
    """Calls the outside watcher while all is well, and remembers what came of it.

    Parameters
    ----------
    url : str
    all_well : callable
        Whether everything that matters is well: an unwell service must not say that it is.
    """

    url: str
    all_well: Callable[[], bool]
    said: str = "not sent yet"
    ok: bool = True

    def __call__(self) -> None:
        """Send one beat, or hold it back."""
        if not self.all_well():
            self.ok, self.said = False, "held back: something that matters is not well"
            return
        try:
            with httpx.Client() as client:
                beat(client, httpx.URL(self.url))
        except (WardianError, httpx.InvalidURL) as exc:
            self.ok, self.said = False, str(exc)
            log.warning("heartbeat_failed", reason=str(exc))
        else:
            self.ok, self.said = True, "answered"


def start_jobs(heartbeat: Heartbeat | None, revive_broker: Callable[[], bool] | None) -> BackgroundScheduler:
    """Start the scheduler with its jobs and return it; its owner shuts it down.

    Parameters
    ----------
    heartbeat : Heartbeat, optional
    revive_broker : callable, optional
        Starts the embedded broker again when it has ended, and says whether it had.
    """
    scheduler = BackgroundScheduler(timezone="UTC")
    if revive_broker is not None:
        scheduler.add_job(_revive, "interval", (revive_broker,), seconds=REVIVE_S, max_instances=1, coalesce=True)
    if heartbeat is not None:
        scheduler.add_job(heartbeat, "interval", seconds=HEARTBEAT_S, max_instances=1, coalesce=True)
    scheduler.start()
    return scheduler
