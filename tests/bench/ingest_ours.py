"""The service's own ingest as a process: broker to disk, nothing else beside it."""

import logging
import threading
import time
from multiprocessing.connection import Connection
from pathlib import Path

import structlog

from service.ingest.broker_address import BrokerAddress
from service.ingest.intake import Intake
from service.ingest.subscriber import Subscriber
from service.main import now_ms
from service.store.engine import open_store
from service.store.intake import ReceiptEntry, receipts
from tests.bench.brokers import SESSION
from tests.bench.ingest_report import IngestReport, Mark, marked
from tests.bench.rooms import database_of


def take_stream(pipe: Connection, address: BrokerAddress, folder: Path, readings: int) -> None:
    """Listen as the service does until so many readings are stored and acknowledged; report how that went."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    store = open_store(database_of(folder))
    intake, stop = Intake(store, 5_000), threading.Event()
    marks: list[Mark] = []

    def committed() -> None:
        marks.append(marked(intake.stored))
        if intake.stored + intake.repeated + intake.refused >= readings:
            stop.set()

    def noted(mqtt_session: str) -> list[ReceiptEntry]:
        with store.read() as session:
            return receipts(session, mqtt_session)

    subscriber = Subscriber(address, SESSION, intake.take, receipts=noted, committed=committed, now_ms=now_ms)
    listening = threading.Thread(target=subscriber.run, args=(stop,))
    listening.start()
    while not subscriber.connection.connected:
        time.sleep(0.001)
    pipe.send("connected")
    listening.join()
    pipe.send(IngestReport(intake.stored, marks[0], marks[-1], len(marks) - 1))
    store.close()
