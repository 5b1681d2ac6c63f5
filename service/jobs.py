"""What runs by the clock, and when."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import structlog
from apscheduler.schedulers.background import BackgroundScheduler

from service.errors import WardianError
from service.jobs_store import RETENTION_FIRST_S, RETENTION_S, SEAL_S, RetentionJob, SealingJob
from service.notify.heartbeat import beat
from service.store.backup import back_up_and_rotate, is_due
from service.store.engine import Store

log = structlog.get_logger("jobs")

HEARTBEAT_S = 60
SELF_WATCH_S = 5
BACKUP_FIRST_S, BACKUP_S = 60, 3600
"""When it is first looked whether a backup is due, and how often after that."""
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
    is_held_back: bool = False

    def __call__(self) -> None:
        """Send one beat, or hold it back."""
        self.is_held_back = not self.all_well()
        if self.is_held_back:
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


@dataclass(slots=True)
class DailyBackup:
    """Takes the day's backup when it is due, and remembers what came of it.

    Parameters
    ----------
    store : Store
    folder : Path
    keep : int
        How many are kept.
    """

    store: Store
    folder: Path
    keep: int
    said: str = "none was due yet"
    ok: bool = True

    def __call__(self) -> None:
        """Take it, if the newest one is a day old; after a failure the next call tries again."""
        now = datetime.now(UTC)
        if not is_due(self.folder, now):
            return
        try:
            path = back_up_and_rotate(self.store, self.folder, self.keep, now)
        except (WardianError, OSError) as exc:
            self.ok, self.said = False, str(exc)
            log.warning("backup_failed", reason=str(exc))
        else:
            self.ok, self.said = True, f"{path.name} is whole"
            log.info("backup_taken", path=str(path))


def start_jobs(
    heartbeat: Heartbeat | None,
    revive_broker: Callable[[], bool] | None,
    backup: DailyBackup | None = None,
    make_ready: Callable[[], None] | None = None,
    sealing: SealingJob | None = None,
    retention: RetentionJob | None = None,
    self_watch: Callable[[], None] | None = None,
) -> BackgroundScheduler:
    """Start the scheduler with its jobs and return it; its owner shuts it down.

    Parameters
    ----------
    heartbeat : Heartbeat, optional
    revive_broker : callable, optional
        Starts the embedded broker again when it has ended, and says whether it had.
    backup : DailyBackup, optional
    make_ready : callable, optional
        Makes what the readings of the coming months need.
    sealing : SealingJob, optional
    retention : RetentionJob, optional
    self_watch : callable, optional
        Raises what keeps the service itself from its work.
    """
    scheduler = BackgroundScheduler(timezone="UTC")
    if revive_broker is not None:
        scheduler.add_job(_revive, "interval", (revive_broker,), seconds=REVIVE_S, max_instances=1, coalesce=True)
    if heartbeat is not None:
        scheduler.add_job(heartbeat, "interval", seconds=HEARTBEAT_S, max_instances=1, coalesce=True)
    if self_watch is not None:
        scheduler.add_job(self_watch, "interval", seconds=SELF_WATCH_S, max_instances=1, coalesce=True)
    if backup is not None:
        soon = datetime.now(UTC) + timedelta(seconds=BACKUP_FIRST_S)
        scheduler.add_job(
            backup, "interval", seconds=BACKUP_S, next_run_time=soon, max_instances=1, coalesce=True,
        )  # fmt: skip
    if make_ready is not None:
        scheduler.add_job(make_ready, "interval", days=1, max_instances=1, coalesce=True)
    if sealing is not None:
        scheduler.add_job(sealing, "interval", seconds=SEAL_S, max_instances=1, coalesce=True)
    if retention is not None:
        soon = datetime.now(UTC) + timedelta(seconds=RETENTION_FIRST_S)
        scheduler.add_job(
            retention, "interval", seconds=RETENTION_S, next_run_time=soon, max_instances=1, coalesce=True,
        )  # fmt: skip
    scheduler.start()
    return scheduler
