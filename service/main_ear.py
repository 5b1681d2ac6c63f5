"""What hears the probes, wired together: the embedded broker where there is one, and the thread that listens.

Over the same connection the standing alarms are said.
"""

import secrets
import threading
import time
from collections.abc import Callable
from typing import Final

from service.api.parts import ComponentState
from service.errors import SettingInvalid
from service.ingest.broker_address import BrokerAddress, address_of
from service.ingest.embedded_broker import EmbeddedBroker
from service.ingest.intake import Intake
from service.ingest.outgoing import Outgoing
from service.ingest.subscriber import Listening, Subscriber
from service.notify import alarm_topics
from service.settings import Settings
from service.store.claims import Claims
from service.store.engine import Store
from service.store.intake import ReceiptEntry, installation_number, receipts
from service.watch.conditions import CONDITIONS

MOST_WORKERS: Final = 16
_EVERYTHING: Final = "#"
_SHARED: Final = "$share/wardian/#"
_ALONE: Final = "ingest"
_PATIENCE_S: Final = 15.0
"""So long one that is stopping may take to let its claim go. [s]"""


class Ear:
    """Hears the probes of a site, alone or as one of several workers.

    Parameters
    ----------
    settings : Settings
    store : Store
    intake : Intake
    claims : Claims
    committed : callable
        Told after each commit.
    now_ms : callable
        The time. [ms since 1970, UTC]
    worker : int or None
        Which of several workers, from 1 on; None for the only one.

    Raises
    ------
    SettingInvalid
        When another process hears the probes already, or several should with the embedded broker.
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        intake: Intake,
        claims: Claims,
        committed: Callable[[], None],
        now_ms: Callable[[], int],
        worker: int | None,
    ) -> None:
        self._store, self._intake, self._committed, self._now_ms = store, intake, committed, now_ms
        self._settings, self._worker = settings, worker
        self._broker = EmbeddedBroker(settings) if settings.broker == "embedded" else None
        if worker is not None and self._broker is not None:
            raise SettingInvalid(
                "WARDIAN_BROKER: several ingest workers need a broker of their own, such as mqtt://host"
            )
        _claim(claims, worker)
        self._subscriber: Subscriber | None = None
        self._thread: threading.Thread | None = None
        # One process says which alarms stand: the one that hears, or the first of several.
        self._outgoing = Outgoing(alarm_topics.PREFIX) if worker in {None, 1} else None
        self._saying: threading.Thread | None = None
        self.address: BrokerAddress | None = None

    def start(self, stop: threading.Event) -> None:
        """Start the broker, and listen until told to stop."""
        self.address = self._broker.start() if self._broker else address_of(self._settings.broker)
        self._subscriber = self._subscribed(self.address, self._listening())
        self._thread = threading.Thread(target=self._subscriber.run, args=(stop,), name="ingest", daemon=True)
        self._thread.start()
        if self._outgoing is not None:
            titles = {key: condition.title for key, condition in CONDITIONS.items()}
            topics = alarm_topics.AlarmTopics(self._store, self._outgoing, titles)
            self._saying = threading.Thread(target=topics.run, args=(stop,), name="alarm topics", daemon=True)
            self._saying.start()

    def drain(self, stop: threading.Event) -> None:
        """Take what the broker kept for this worker, and leave the others for good."""
        nothing_more = Listening(None, (_EVERYTHING, _SHARED))
        self._subscribed(address_of(self._settings.broker), nothing_more).drain(stop)

    def stop(self, patience_s: float) -> None:
        """Wait for the thread, which was told to stop, and stop the broker; what was accepted is on disk. [s]."""
        for thread in (self._thread, self._saying):
            if thread is not None:
                thread.join(patience_s)
        if self._broker is not None:
            self._broker.stop()

    @property
    def revive(self) -> Callable[[], bool] | None:
        """Starts the embedded broker again when it has ended; None where there is none."""
        return self._broker.revive if self._broker else None

    def states(self) -> dict[str, ComponentState]:
        """Say how the broker and the listening are."""
        return {"broker": self._broker_state(), "ingest": self._ingest_state()}

    def figures(self) -> dict[str, float]:
        """Say how far behind the listening is: see `service.store.processes.FIGURES`."""
        ear = self._subscriber
        if ear is None:
            return {}
        return {"ingest_lag_seconds": ear.lag_s, "commit_seconds": ear.commit_s, "ingest_waiting": ear.waiting}

    def _subscribed(self, address: BrokerAddress, listening: Listening) -> Subscriber:
        return Subscriber(
            address,
            self._mqtt_session(),
            self._intake.take,
            receipts=self._receipts,
            committed=self._committed,
            now_ms=self._now_ms,
            listening=listening,
            outgoing=self._outgoing,
        )

    def _listening(self) -> Listening:
        # Alone and as the first of several it is the same session: what was kept for the one is not lost to the other.
        return Listening(_EVERYTHING, (_SHARED,)) if self._worker is None else Listening(_SHARED, (_EVERYTHING,))

    def _broker_state(self) -> ComponentState:
        connection = self._subscriber.connection if self._subscriber else None
        if connection is None:
            return ComponentState(ok=False, said="the broker is not started yet")
        return ComponentState(connection.connected, connection.said)

    def _ingest_state(self) -> ComponentState:
        if self._thread is None or not self._thread.is_alive():
            return ComponentState(ok=False, said="the ingest has stopped; restart the service and report its log")
        if self._subscriber and self._subscriber.store_said:
            return ComponentState(ok=False, said=f"readings wait at the broker: {self._subscriber.store_said}")
        return ComponentState(ok=True, said=f"{self._intake.stored} readings stored since the start")

    def _mqtt_session(self) -> str:
        with self._store.write() as session:
            name = f"wardian-{installation_number(session, secrets.randbits(48)):012x}"
        return name if self._worker in {None, 1} else f"{name}-{self._worker}"

    def _receipts(self, mqtt_session: str) -> list[ReceiptEntry]:
        with self._store.read() as session:
            return receipts(session, mqtt_session)


def _claim(claims: Claims, worker: int | None) -> None:
    """Make sure that no other process hears with the same session, or everything beside several that share it."""
    mine = _ALONE if worker is None else f"{_ALONE}-{worker}"
    several = [f"{_ALONE}-{number}" for number in range(1, MOST_WORKERS + 1)]
    end = time.monotonic() + _PATIENCE_S
    while True:
        if claims.take(mine):
            if not claims.among(several if worker is None else [_ALONE]):
                return
            claims.release(mine)
        if time.monotonic() > end:
            break
        time.sleep(0.2)
    raise SettingInvalid(
        "another process hears the probes of this database already: stop it, or give each its number with "
        "`wardian ingest --worker N`"
    )
