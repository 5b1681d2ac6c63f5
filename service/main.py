"""The composition root: wires the parts together, starts and stops them. Nothing is built on import."""

import secrets
import shutil
import signal
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import structlog
import uvicorn

from dashboard.app import create_app
from sensors.payloads.measurement import Measurement
from sensors.quantities import NotFiniteError, UnknownWordError, convert
from service.api.parts import MATTERS_NOT, ComponentState, Parts, PostedReading, Taken, Wake
from service.errors import SettingInvalid
from service.ingest.broker_address import BrokerAddress, address_of
from service.ingest.embedded_broker import EmbeddedBroker
from service.ingest.intake import Intake
from service.ingest.subscriber import Subscriber
from service.jobs import DailyBackup, Heartbeat, start_jobs
from service.jobs_store import RetentionJob, SealingJob
from service.main_telling import Telling
from service.people.roles import Doors
from service.settings import LOOPBACK, Settings, host_and_port, is_loopback
from service.store.engine import Store, open_store
from service.store.intake import ReceiptEntry, installation_number, receipts
from service.store.people import has_people
from service.watch.live import Watch

if TYPE_CHECKING:
    from collections.abc import Iterator

log = structlog.get_logger("main")

_STALLED_S = 30.0
_FULL_SHARE = 0.9
_STOP_S = 10.0


def now_ms() -> int:
    """Return the time. [ms since 1970, UTC]."""
    return time.time_ns() // 1_000_000


class Service:
    """Everything in one process: broker, ingest, watch, jobs; the web server is run beside it.

    Parameters
    ----------
    settings : Settings
    doors : Doors, optional
        Who comes in without signing in; by default `doors_of`.

    Raises
    ------
    WardianError
        When a part cannot be started; what was started before is stopped.
    """

    def __init__(self, settings: Settings, doors: Doors | None = None) -> None:
        self.settings = settings
        self.doors = doors or doors_of(settings)
        self.store: Store = open_store(settings.database_url)
        self.wake = Wake()
        self._stop, self._readings_came = threading.Event(), threading.Event()
        self._broker = EmbeddedBroker(settings) if settings.broker == "embedded" else None
        self._intake = Intake(self.store, settings.keep_refused, settings.keep_unclaimed * 2**20)
        self._telling = Telling(self.store, settings.public_url, now_ms, self._parts_of_telling, self.wake.notify)
        self._watch = Watch(self.store, now_ms, self._alarms_recorded)
        self._subscriber: Subscriber | None = None
        self._threads: list[threading.Thread] = []
        self._heartbeat = Heartbeat(settings.heartbeat, self.all_well) if settings.heartbeat else None
        self._backup = _daily_backup(settings, self.store)
        self._scheduler = None
        self.address: BrokerAddress | None = None

    def start(self) -> None:
        """Start the broker, the ingest thread, the watch thread and the jobs."""
        self.address = self._broker.start() if self._broker else address_of(self.settings.broker)
        self._subscriber = Subscriber(
            self.address,
            self._mqtt_session(),
            self._intake.take,
            receipts=self._receipts,
            committed=self._committed,
            now_ms=now_ms,
        )
        self._run("ingest", self._subscriber.run, self._stop)
        self._run("watch", self._watch.run, self._stop, self._readings_came)
        self._run("telling", self._telling.run, self._stop)
        revive = self._broker.revive if self._broker else None
        self._scheduler = start_jobs(
            self._heartbeat,
            revive,
            self._backup,
            self.store.make_ready,
            SealingJob(self.store, now_ms, self._stop),
            _retention(self.settings, self.store, self._stop),
            self._telling.self_watch,
        )

    def stop(self) -> None:
        """Stop in the order of a reading's journey; what was accepted is on disk."""
        self.wake.close()
        self._stop.set()
        self._readings_came.set()
        self._telling.wake()
        if self._scheduler is not None:
            self._scheduler.shutdown(wait=False)
        for thread in self._threads:
            thread.join(_STOP_S)
        if self._broker is not None:
            self._broker.stop()
        self.store.close()

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

    def figures(self) -> Mapping[str, float]:
        """Say how much was done, and how far behind each part is: see `service.store.processes.FIGURES`."""
        told: dict[str, float] = {
            "readings_stored": self._intake.stored,
            "readings_repeated": self._intake.repeated,
            "messages_refused": self._intake.refused,
            "watch_step_seconds": self._watch.step_s,
            "watch_writes_behind": self._watch.writes_behind,
        }
        if ear := self._subscriber:
            told |= {"ingest_lag_seconds": ear.lag_s, "commit_seconds": ear.commit_s, "ingest_waiting": ear.waiting}
        return told

    def component_states(self) -> Mapping[str, ComponentState]:
        """Say how each part is, and how to mend what is not well."""
        states = {"broker": self._broker_state(), "ingest": self._ingest_state(), "watch": self._watch_state()}
        states["disk"] = _disk_state(self.settings)
        states["telling"] = self._telling.state(is_alive=self._alive("telling"))
        if self._heartbeat is not None:
            states["heartbeat"] = ComponentState(self._heartbeat.ok, f"heartbeat: {self._heartbeat.said}")
        if self._backup is not None:
            states["backup"] = ComponentState(self._backup.ok, f"backup: {self._backup.said}")
        return states

    def all_well(self) -> bool:
        """Whether everything that matters is well, not merely alive: readings come, are stored, watched and told."""
        parts = (state.ok for name, state in self.component_states().items() if name not in MATTERS_NOT)
        return all(parts) and self._telling.readings_are_fresh()

    def _run(self, name: str, target: Callable[..., None], *args: object) -> None:
        thread = threading.Thread(target=target, args=args, name=name, daemon=True)
        thread.start()
        self._threads.append(thread)

    def _broker_state(self) -> ComponentState:
        connection = self._subscriber.connection if self._subscriber else None
        if connection is None:
            return ComponentState(ok=False, said="the broker is not started yet")
        return ComponentState(connection.connected, connection.said)

    def _ingest_state(self) -> ComponentState:
        if not self._alive("ingest"):
            return ComponentState(ok=False, said="the ingest has stopped; restart the service and report its log")
        if self._subscriber and self._subscriber.store_said:
            return ComponentState(ok=False, said=f"readings wait at the broker: {self._subscriber.store_said}")
        return ComponentState(ok=True, said=f"{self._intake.stored} readings stored since the start")

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

    def _alive(self, name: str) -> bool:
        return any(thread.name == name and thread.is_alive() for thread in self._threads)

    def _committed(self) -> None:
        self._readings_came.set()
        self.wake.notify()

    def _mqtt_session(self) -> str:
        with self.store.write() as session:
            return f"wardian-{installation_number(session, secrets.randbits(48)):012x}"

    def _receipts(self, mqtt_session: str) -> list[ReceiptEntry]:
        with self.store.read() as session:
            return receipts(session, mqtt_session)

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
def running(settings: Settings, doors: Doors | None = None) -> "Iterator[Service]":
    """Run the parts, and stop them at the end whatever happens."""
    with ExitStack() as stack:
        service = Service(settings, doors)
        stack.callback(service.stop)
        service.start()
        yield service


def require_safe_web(settings: Settings, store: Store) -> None:
    """Refuse to show the room to a network while nobody can sign in.

    Raises
    ------
    SettingInvalid
        When the web server would listen beyond loopback, and there is no account.
    """
    host, _port = host_and_port(settings.web)
    if is_loopback(host):
        return
    with store.read() as session:
        if has_people(session):
            return
    raise SettingInvalid(
        f"WARDIAN_WEB={settings.web} is reachable from other computers, and nobody has an account yet: make one with "
        "`wardian account add NAME --role owner`, or listen on 127.0.0.1"
    )


def doors_of(settings: Settings) -> Doors:
    """Return who comes in without signing in: on loopback, whoever sits at this computer until there is an account."""
    host, _port = host_and_port(settings.web)
    return Doors(hosts=LOOPBACK) if is_loopback(host) else Doors(opens_as=None)


def serve(service: Service, ready: Callable[[str], None]) -> None:
    """Serve the pages until told to stop by SIGINT or SIGTERM.

    Parameters
    ----------
    service : Service
        Running.
    ready : callable
        Told the address once the server listens.

    Raises
    ------
    SettingInvalid
        When the port is taken.
    """
    host, port = host_and_port(service.settings.web)
    config = uvicorn.Config(
        create_app(service.parts()),
        host=host,
        port=port,
        log_config=None,
        access_log=False,
        timeout_graceful_shutdown=5,
        server_header=False,
    )
    server = _Server(config, service, ready)
    try:
        server.run()
    except KeyboardInterrupt:
        return  # the server has stopped in order and passes the signal on
    except SystemExit as exc:
        raise SettingInvalid(f"WARDIAN_WEB={service.settings.web}: the port is taken; stop what uses it") from exc


class _Server(uvicorn.Server):
    """A web server that says when it listens, and ends its live streams before it waits for them."""

    def __init__(self, config: uvicorn.Config, service: Service, ready: Callable[[str], None]) -> None:
        super().__init__(config)
        self._service, self._ready = service, ready

    async def startup(self, sockets: list | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            port = self.servers[0].sockets[0].getsockname()[1]
            self._ready(f"http://{self.config.host}:{port}/")

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self._service.wake.close()
        super().handle_exit(sig, frame)


def run_all(settings: Settings, ready: Callable[[str], None]) -> None:
    """Run everything in one process for a real room, until told to stop."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # until the web server takes signals over
    store = open_store(settings.database_url)
    try:
        require_safe_web(settings, store)
    finally:
        store.close()
    with running(settings) as service:
        log.info("started", broker=str(service.address), database="SQLite" if service.store.is_sqlite else "PostgreSQL")
        serve(service, ready)
