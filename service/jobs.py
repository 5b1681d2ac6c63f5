"""What runs by the clock, and when."""

import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import structlog
from apscheduler.events import EVENT_SCHEDULER_SHUTDOWN
from apscheduler.schedulers.background import BackgroundScheduler

from service.errors import WardianError
from service.jobs_store import RETENTION_FIRST_S, RETENTION_S, SEAL_S
from service.notify.heartbeat import beat
from service.store.backup import back_up_and_rotate, is_due
from service.store.engine import Store
from service.store.processes import REPORT_EVERY_S

log = structlog.get_logger("jobs")

HEARTBEAT_S = 60
SELF_WATCH_S = 5
BACKUP_FIRST_S, BACKUP_S = 60, 3600
"""When it is first looked whether a backup is due, and how often after that."""
REVIVE_S = 2
MAKE_READY_S = 86_400
_CLOCK_EVERY_S = 1.0
"""So often it is looked whether the clock was set back. [s]"""


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


@dataclass(frozen=True, slots=True)
class Jobs:
    """What a process does by the clock; None is left out.

    Attributes
    ----------
    revive_broker : callable
        Starts the embedded broker again when it has ended, and says whether it had.
    heartbeat : callable
    report : callable
        Tells other processes how this one is.
    self_watch : callable
        Raises what keeps the service itself from its work.
    backup : callable
    make_ready : callable
        Makes what the readings of the coming months need.
    sealing : callable
    retention : callable
    """

    revive_broker: Callable[[], bool] | None = None
    heartbeat: Callable[[], None] | None = None
    report: Callable[[], None] | None = None
    self_watch: Callable[[], None] | None = None
    backup: Callable[[], None] | None = None
    make_ready: Callable[[], None] | None = None
    sealing: Callable[[], None] | None = None
    retention: Callable[[], None] | None = None


def start_jobs(jobs: Jobs) -> BackgroundScheduler:
    """Start the scheduler with its jobs and return it; its owner shuts it down."""
    scheduler = BackgroundScheduler(timezone="UTC")

    def each(job: Callable[[], None] | None, seconds: float, first_s: float | None = None) -> None:
        if job is None:
            return
        first = datetime.now(UTC) + timedelta(seconds=seconds if first_s is None else first_s)
        scheduler.add_job(job, "interval", seconds=seconds, next_run_time=first, max_instances=1, coalesce=True)

    revive = jobs.revive_broker
    each(None if revive is None else lambda: _revive(revive), REVIVE_S)
    each(jobs.report, REPORT_EVERY_S, 0)
    each(jobs.heartbeat, HEARTBEAT_S)
    each(jobs.self_watch, SELF_WATCH_S)
    each(jobs.backup, BACKUP_S, BACKUP_FIRST_S)
    each(jobs.make_ready, MAKE_READY_S)
    each(jobs.sealing, SEAL_S)
    each(jobs.retention, RETENTION_S, RETENTION_FIRST_S)
    scheduler.start()
    ended = threading.Event()
    scheduler.add_listener(lambda _: ended.set(), EVENT_SCHEDULER_SHUTDOWN)
    threading.Thread(target=_follow_clock, args=(scheduler, ended), name="job times", daemon=True).start()
    return scheduler


def _follow_clock(scheduler: BackgroundScheduler, ended: threading.Event) -> None:
    """Bring jobs forward that wait for a time beyond their interval: the clock was set back since they were planned."""
    while not ended.wait(_CLOCK_EVERY_S):
        for job in scheduler.get_jobs():
            latest = datetime.now(UTC) + job.trigger.interval
            if job.next_run_time is not None and job.next_run_time > latest + timedelta(seconds=_CLOCK_EVERY_S):
                job.modify(next_run_time=latest)
