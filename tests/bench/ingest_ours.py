"""The service's own ingest as a process: broker to disk, nothing else beside it."""

import logging
import threading
import time
from collections.abc import Sequence
from multiprocessing.connection import Connection
from pathlib import Path

import structlog

from service.ingest.arrivals import Arrival
from service.ingest.broker_address import BrokerAddress
from service.ingest.intake import Backlog, Intake
from service.ingest.subscriber import Subscriber
from service.main import now_ms
from service.store.engine import open_store
from service.store.intake import ReceiptEntry, receipts
from tests.bench.brokers import SESSION
from tests.bench.ingest_report import IngestReport
from tests.bench.rooms import database_of


def take_stream(pipe: Connection, address: BrokerAddress, folder: Path, readings: int) -> None:
    """Listen as the service does until so many readings are stored and acknowledged; report how that went."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    store = open_store(database_of(folder))
    intake, stop = Intake(store, 5_000), threading.Event()
    marks: list[tuple[float, float]] = []
    commits = [0]

    def take(arrivals: Sequence[Arrival], mqtt_session: str, backlog: Backlog | None) -> None:
        if not marks:
            marks.append((arrivals[0].at_ms / 1000, time.process_time()))
        intake.take(arrivals, mqtt_session, backlog)

    def committed() -> None:
        commits[0] += 1
        if intake.stored + intake.repeated + intake.refused >= readings:
            marks.append((time.time(), time.process_time()))
            stop.set()

    def noted(mqtt_session: str) -> list[ReceiptEntry]:
        with store.read() as session:
            return receipts(session, mqtt_session)

    subscriber = Subscriber(address, SESSION, take, receipts=noted, committed=committed, now_ms=now_ms)
    listening = threading.Thread(target=subscriber.run, args=(stop,))
    listening.start()
    while not subscriber.connection.connected:
        time.sleep(0.001)
    pipe.send("connected")
    listening.join()
    (began, cpu_before), (ended, cpu_after) = marks
    pipe.send(IngestReport(ended - began, intake.stored, commits[0], cpu_after - cpu_before))
    store.close()
