"""The composition root: wires the parts together, starts and stops them. Nothing is built on import."""

import os
import shutil
import signal
import socket
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import structlog

from sensors.payloads.measurement import Measurement
from sensors.quantities import NotFiniteError, UnknownWordError, convert
from service.api.parts import MATTERS_NOT, ComponentState, Parts, PostedReading, Taken, Wake
from service.ingest.broker_address import BrokerAddress
from service.ingest.intake import Intake
from service.jobs import DailyBackup, Heartbeat, Jobs, start_jobs
from service.jobs_store import RetentionJob, SealingJob
from service.main_ear import Ear
from service.main_processes import EVERYTHING, Company, Role, follow
from service.main_telling import Telling
from service.main_web import doors_of, require_safe_web, serve
from service.people.roles import Doors
from service.settings import Settings
from service.store.claims import Claims
from service.store.engine import Store, open_store
from service.store.processes import process_ends
from service.watch.live import Watch
from service.watch.shares import Shares

if TYPE_CHECKING:
    from collections.abc import Iterator

log = structlog.get_logger("main")

_STALLED_S = 30.0
_FULL_SHARE = 0.9
_STOP_S = 10.0
_JOBS = "jobs"


def now_ms() -> int:
    """Return the time. [ms since 1970, UTC]."""
    return time.time_ns() // 1_000_000


class Service:
    """What one process does of the whole; the web server is run beside it.

    Parameters
    ----------
    settings : Settings
    doors : Doors, optional
        Who comes in without signing in; by default `doors_of`.
    roles : frozenset of Role
        What this process does; by default everything.
    worker : int, optional
        Which of several ingest workers it is, from 1 on.

    Raises
    ------
    WardianError
        When a part cannot be started; what was started before is stopped.
    """

    def __init__(
        self,
        settings: Settings,
        doors: Doors | None = None,
        roles: frozenset[Role] = EVERYTHING,
        worker: int | None = None,
    ) -> None:
        self.settings, self.roles, self._worker = settings, roles, worker
        self.doors = doors or doors_of(settings)
        self.store: Store = open_store(settings.database_url)
        self.wake = Wake()
        self.claims = Claims(self.store)
        self._stop, self._readings_came = threading.Event(), threading.Event()
        self._intake = _intake(settings, self.store)
        self._telling = Telling(self.store, settings.public_url, now_ms, self._parts_of_telling, self.wake.notify)
        self._watch = Watch(self.store, now_ms, self._alarms_recorded, Shares(self.claims))
        self._ear: Ear | None = None
        self._threads: list[threading.Thread] = []
        self._heartbeat = Heartbeat(settings.heartbeat, self.all_well) if settings.heartbeat else None
        self._backup = _daily_backup(settings, self.store)
        self._scheduler = None
        self._company = Company(self.store, self._name(), roles, self._own_states, self._own_figures)
        self.component_states, self.figures = self._company.states, self._company.figures

    @property
    def address(self) -> BrokerAddress | None:
        """The broker that this process listens to."""
        return self._ear.address if self._ear else None

    def start(self) -> None:
        """Start what this process does."""
        if Role.INGEST in self.roles:
            self._ear = Ear(self.settings, self.store, self._intake, self.claims, self._committed, now_ms, self._worker)
            self._ear.start(self._stop)
        if Role.WATCH in self.roles:
            self._run("watch", self._watch.run, self._stop, self._readings_came)
        if Role.JOBS in self.roles:
            self._run("telling", self._telling.run, self._stop)
        if not self._company.is_alone:
            self._run("following", follow, self.store, self._others_stored, self._stop)
        self._scheduler = start_jobs(self._jobs())

    def stop(self) -> None:
        """Stop in the order of a reading's journey; what was accepted is on disk."""
        self.wake.close()
        self._stop.set()
        self._readings_came.set()
        self._telling.wake()
        if self._scheduler is not None:
            self._scheduler.shutdown(wait=False)
        if self._ear is not None:
            self._ear.stop(_STOP_S)
        for thread in self._threads:
            thread.join(_STOP_S)
        self._company.leave(for_good=self._worker is None)
        self.claims.close()
        self.store.close()

    def run(self) -> None:
        """Do it until told to stop by SIGINT or SIGTERM."""
        for signal_ in (signal.SIGTERM, signal.SIGINT):
            signal.signal(signal_, lambda *_: self._stop.set())
        # A plain wait would not let signals through on every system.
        while not self._stop.wait(1.0):
            pass

    def parts(self) -> Parts:
        """Return what the pages and the HTTP interface work with."""
        return Parts(
            store=self.store,
            settings=self.settings,
            now=lambda: datetime.now(UTC),
            component_states=self.component_states,
            take_readings=self._take_posted,
            wake=self.wake,
            doors=self.doors,
            figures=self.figures,
        )

    def all_well(self) -> bool:
        """Whether everything that matters is well, not merely alive: readings come, are stored, watched and told."""
        parts = (state.ok for name, state in self.component_states().items() if name not in MATTERS_NOT)
        return all(parts) and self._telling.readings_are_fresh()

    def _name(self) -> str:
        does = "up" if self.roles == EVERYTHING else " ".join(sorted(self.roles))
        return f"{does} {self._worker or f'{socket.gethostname()}:{os.getpid()}'}"

    def _jobs(self) -> Jobs:
        """Return what this process does by the clock; what one does for all is left to whoever has claimed it."""
        alone = self._company.is_alone
        own = Jobs(revive_broker=self._ear.revive if self._ear else None, report=None if alone else self._report)
        if Role.JOBS not in self.roles:
            return own
        retention = _retention(self.settings, self.store, self._stop)
        return replace(
            own,
            heartbeat=self._elected(self._heartbeat),
            backup=self._elected(self._backup),
            make_ready=self._elected(self.store.make_ready),
            sealing=self._elected(SealingJob(self.store, now_ms, self._stop)),
            retention=self._elected(retention),
            self_watch=self._elected(self._telling.self_watch),
        )

    def _elected(self, job: Callable[[], None] | None) -> Callable[[], None] | None:
        """Let a job be done by one process of the site."""

        def do() -> None:
            if job is not None and self.claims.take(_JOBS):
                job()

        return None if job is None else do

    def _report(self) -> None:
        self._company.exchange()

    def _own_figures(self) -> Mapping[str, float]:
        """Say how much was done, and how far behind each part is: see `service.store.processes.FIGURES`."""
        told: dict[str, float] = {
            "readings_stored": self._intake.stored,
            "readings_repeated": self._intake.repeated,
            "messages_refused": self._intake.refused,
        }
        if Role.WATCH in self.roles:
            told |= {"watch_step_seconds": self._watch.step_s, "watch_writes_behind": self._watch.writes_behind}
        return told | (self._ear.figures() if self._ear else {})

    def _own_states(self) -> dict[str, ComponentState]:
        """Say how each part of this process is, and how to mend what is not well."""
        states = self._ear.states() if self._ear else {}
        states["disk"] = _disk_state(self.settings)
        if Role.WATCH in self.roles:
            states["watch"] = self._watch_state()
        if Role.JOBS not in self.roles:
            return states
        states["telling"] = self._telling.state(is_alive=self._alive("telling"))
        if self._heartbeat is not None:
            states["heartbeat"] = ComponentState(self._heartbeat.ok, f"heartbeat: {self._heartbeat.said}")
        if self._backup is not None:
            states["backup"] = ComponentState(self._backup.ok, f"backup: {self._backup.said}")
        return states

    def _run(self, name: str, target: Callable[..., None], *args: object) -> None:
        thread = threading.Thread(target=target, args=args, name=name, daemon=True)
        thread.start()
        self._threads.append(thread)

    def _watch_state(self) -> ComponentState:
        stalled = time.monotonic() - self._watch.stepped_at
        if not self._alive("watch") or stalled > _STALLED_S:
            return ComponentState(ok=False, said="the watch stands still; restart the service and report its log")
        if self._watch.said:
            return ComponentState(ok=False, said=f"the watch waits: {self._watch.said}")
        return ComponentState(ok=True, said="watching")

    def _parts_of_telling(self) -> Mapping[str, ComponentState]:
        """Say how each part is, as far as it is an alarm: a beat that was held back has its reason in another part."""
        # A dead route has an alarm of its own.
        states = dict(self.component_states())
        states["telling"] = self._telling.state(is_alive=self._alive("telling"), routes=False)
        if self._heartbeat is not None and self._heartbeat.is_held_back:
            states.pop("heartbeat", None)
        return states

    def _alarms_recorded(self) -> None:
        self.wake.notify()
        self._telling.wake()

    def _others_stored(self) -> None:
        self._committed()
        self._telling.wake()

    def _alive(self, name: str) -> bool:
        return any(thread.name == name and thread.is_alive() for thread in self._threads)

    def _committed(self) -> None:
        self._readings_came.set()
        self.wake.notify()

    def _take_posted(self, posted: Sequence[PostedReading]) -> Taken:
        """Store readings that came by HTTP, and wake the watch."""
        refused: list[tuple[int, str]] = []
        rows: list[tuple[int, str, Measurement]] = []
        for index, reading in enumerate(posted):
            try:
                value = convert(reading.quantity, reading.value, reading.unit)
            except (UnknownWordError, NotFiniteError) as exc:
                refused.append((index, str(exc)))
                continue
            rows.append((index, reading.probe, Measurement(reading.quantity, value, reading.at_ms)))
        stored, reasons = self._intake.take_measured([row[1:] for row in rows], now_ms())
        refused += [(row[0], reason) for row, reason in zip(rows, reasons, strict=True) if reason is not None]
        self._committed()
        taken = sum(reason is None for reason in reasons)
        return Taken(stored, taken - stored, tuple(sorted(refused)))


def _intake(settings: Settings, store: Store) -> Intake:
    return Intake(store, settings.keep_refused, settings.keep_unclaimed * 2**20)


def _daily_backup(settings: Settings, store: Store) -> DailyBackup | None:
    if not settings.backup_folder:
        return None
    return DailyBackup(store, Path(settings.backup_folder), settings.backup_keep)


def _retention(settings: Settings, store: Store, stop: threading.Event) -> RetentionJob | None:
    if settings.retention_days is None:
        return None
    return RetentionJob(store, settings.retention_days, now_ms, stop)


def _disk_state(settings: Settings) -> ComponentState:
    usage = shutil.disk_usage(settings.data if settings.data.exists() else ".")
    share = usage.used / usage.total
    said = f"the disk of {settings.data} is {share:.0%} full"
    return ComponentState(share <= _FULL_SHARE, said if share <= _FULL_SHARE else f"{said}: free some space")


@contextmanager
def running(
    settings: Settings, doors: Doors | None = None, roles: frozenset[Role] = EVERYTHING, worker: int | None = None
) -> "Iterator[Service]":
    """Run the parts, and stop them at the end whatever happens."""
    with ExitStack() as stack:
        service = Service(settings, doors, roles, worker)
        stack.callback(service.stop)
        service.start()
        yield service


def run_parts(
    settings: Settings, roles: frozenset[Role], ready: Callable[[str], None], worker: int | None = None
) -> None:
    """Do these parts in this process for a real room, until told to stop.

    Parameters
    ----------
    settings : Settings
    roles : frozenset of Role
    ready : callable
        Told the pages' address once they are served.
    worker : int, optional
        Which of several ingest workers it is, from 1 on.
    """
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # until the web server takes signals over
    if Role.WEB in roles:
        store = open_store(settings.database_url)
        try:
            require_safe_web(settings, store)
        finally:
            store.close()
    with running(settings, roles=roles, worker=worker) as service:
        database = "SQLite" if service.store.is_sqlite else "PostgreSQL"
        log.info("started", does=" ".join(sorted(roles)), broker=str(service.address), database=database)
        if Role.WEB in roles:
            serve(service.parts(), ready)
        else:
            service.run()


def drain_worker(settings: Settings, worker: int) -> None:
    """Take what the broker keeps for an ingest worker that is to be no more, and end its session."""
    store = open_store(settings.database_url)
    claims = Claims(store)
    try:
        ear = Ear(settings, store, _intake(settings, store), claims, lambda: None, now_ms, worker)
        ear.drain(threading.Event())
        with store.write() as session:
            process_ends(session, f"{Role.INGEST} {worker}")
    finally:
        claims.close()
        store.close()
