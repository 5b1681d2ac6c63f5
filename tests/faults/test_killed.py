"""kill -9 in the middle of a stream: nothing that the broker accepted is lost, nothing is stored twice."""

import json
import random
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Self

import pytest

from service.ingest.broker_address import address_of
from service.ingest.embedded_broker import free_port
from service.main import now_ms
from service.store.engine import open_store
from tests.builders import a_probe, a_site, publisher, stored, wait_until
from tests.mosquitto import Mosquitto
from tests.service_process import ServiceProcess

pytestmark = [pytest.mark.faults, pytest.mark.timeout(600)]
WITH_CLOCK, WITHOUT_CLOCK = 1, 2


@pytest.fixture
def service(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[ServiceProcess]:
    process = ServiceProcess(tmp_path / "service", mosquitto.url, free_port())
    furnish(process)
    yield process
    process.kill()


def furnish(process: ServiceProcess) -> None:
    store = open_store(process.database)
    with store.write() as session:
        a_site(session)
        a_probe(session, "clock", time_pointer="/at")
        a_probe(session, "plain", format="scalar", every_s=1)
    store.close()


class Stream:
    """Publishes numbered readings, alternately with and without a time, and counts what the broker accepted."""

    def __init__(self, broker: Mosquitto) -> None:
        self.accepted = 0
        self._broker = broker
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._base = now_ms() - 10_000_000

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        with publisher(address_of(self._broker.url)) as client:
            while not self._stop.is_set():
                number = self.accepted
                clock = json.dumps({"air_temperature": number / 1000, "at": self._base + number})
                sent = [
                    client.publish("probes/clock", clock, qos=1),
                    client.publish("probes/plain", f"{number / 1000}", qos=1),
                ]
                for message in sent:
                    message.wait_for_publish(10)
                self.accepted += 1
                time.sleep(0.001)


@pytest.mark.parametrize("seed", [1, 2])
def test_every_accepted_reading_is_stored_exactly_once(
    service: ServiceProcess, mosquitto: Mosquitto, seed: int, kills: int
) -> None:
    moments = random.Random(seed)  # noqa: S311 - moments to kill at, no secret
    service.start()
    service.wait_ready()
    with Stream(mosquitto) as stream:
        for _ in range(kills):
            time.sleep(moments.uniform(0.0, 0.5))
            service.kill()
            service.start()
            if moments.random() < 0.7:
                service.wait_ready()
            else:
                time.sleep(moments.uniform(1.0, 1.5))
    service.kill()
    service.start()
    service.wait_ready()
    store = open_store(service.database)
    expected = [number / 1000 for number in range(stream.accepted)]
    wait_until(lambda: len(stored(store, WITHOUT_CLOCK)) >= len(expected) <= len(stored(store, WITH_CLOCK)), 30)
    time.sleep(0.5)
    assert stored(store, WITH_CLOCK).value.tolist() == expected
    assert sorted(stored(store, WITHOUT_CLOCK).value.tolist()) == expected
    store.close()


def test_the_whole_service_runs_on_postgresql_and_loses_nothing_when_it_is_killed(
    tmp_path: Path, new_postgresql: Callable[[], str], mosquitto: Mosquitto
) -> None:
    service = ServiceProcess(tmp_path / "service", mosquitto.url, free_port(), WARDIAN_DATABASE=new_postgresql())
    furnish(service)
    try:
        service.start()
        service.wait_ready(60)
        with Stream(mosquitto) as stream:
            time.sleep(0.5)
            service.kill()
            time.sleep(0.2)
        service.start()
        service.wait_ready(60)
        store = open_store(service.database)
        expected = [number / 1000 for number in range(stream.accepted)]
        wait_until(lambda: len(stored(store, WITH_CLOCK)) >= len(expected) <= len(stored(store, WITHOUT_CLOCK)), 30)
        assert stored(store, WITH_CLOCK).value.tolist() == expected
        assert sorted(stored(store, WITHOUT_CLOCK).value.tolist()) == expected
        store.close()
    finally:
        service.kill()
