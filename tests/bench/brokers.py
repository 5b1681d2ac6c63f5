"""The two brokers, each started anew for a measurement."""

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from service.ingest.broker_address import BrokerAddress, address_of
from service.ingest.embedded_broker import EmbeddedBroker, free_port
from service.settings import load_settings
from tests.bench.figures import BenchError
from tests.mosquitto import Mosquitto

SESSION = "wardian-bench"


@contextmanager
def mosquitto(folder: Path) -> Iterator[BrokerAddress]:
    """Run Mosquitto with a window of 1,000 messages and no limit on what it queues."""
    program = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
    if program is None:
        raise BenchError("mosquitto is not installed; run: make system-packages")
    broker = Mosquitto(program, folder / "mosquitto", free_port())
    # The tests let it save its sessions each second, to be killed at any moment; here its own default stands.
    usual = broker.config.read_text(encoding="utf-8").replace("autosave_interval 1\n", "autosave_interval 1800\n")
    broker.config.write_text(usual, encoding="utf-8")
    broker.start()
    try:
        yield address_of(broker.url)
    finally:
        broker.stop()


@contextmanager
def embedded(folder: Path) -> Iterator[BrokerAddress]:
    """Run the broker that comes along, whose window is 100 messages."""
    broker = EmbeddedBroker(load_settings(data=folder / "broker", broker_listen=f"127.0.0.1:{free_port()}"))
    address = broker.start()
    try:
        yield address
    finally:
        broker.stop()


def subscribe_to_all(client: mqtt.Client, *_: object) -> None:
    """Ask for every topic: for a client to do once it is connected."""
    client.subscribe("#", qos=1)


def leave_session(address: BrokerAddress) -> None:
    """Let the broker know a listener that has gone: from now on it keeps messages for it."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=SESSION, clean_session=False)
    heard: list[str] = []
    client.on_subscribe = lambda *_: heard.append("subscribed")
    client.on_connect = subscribe_to_all
    client.connect(address.host, address.port)
    for _ in range(500):
        client.loop(0.01)
        if heard:
            client.disconnect()
            return
    raise BenchError(f"the broker at {address} did not answer a subscription")
