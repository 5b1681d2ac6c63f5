"""What tests of every part share: real stores, real brokers, and honest words about what is missing."""

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from service.ingest.broker_address import BrokerAddress
from service.ingest.embedded_broker import EmbeddedBroker, free_port
from service.settings import Settings, load_settings
from service.store.engine import Store, open_store
from tests.mosquitto import Mosquitto


@pytest.fixture(scope="session")
def program() -> Callable[[str], str]:
    """Return the path of a program; without it the test is named as not run, and in CI it fails."""

    def find(name: str) -> str:
        path = shutil.which(name, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
        if path is None:
            said = f"{name} is not installed: not tested"
            if os.environ.get("CI") == "true":
                pytest.fail(said)
            pytest.skip(said)
        return path

    return find


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return load_settings(data=tmp_path / "data", broker_listen=f"127.0.0.1:{free_port()}", web="127.0.0.1:0")


@pytest.fixture
def store(settings: Settings) -> Iterator[Store]:
    opened = open_store(settings.database_url)
    yield opened
    opened.close()


@pytest.fixture
def embedded_broker(settings: Settings) -> Iterator[BrokerAddress]:
    broker = EmbeddedBroker(settings)
    yield broker.start()
    broker.stop()


@pytest.fixture
def mosquitto(program: Callable[[str], str], tmp_path: Path) -> Iterator[Mosquitto]:
    broker = Mosquitto(program("mosquitto"), tmp_path / "mosquitto", free_port())
    broker.start()
    yield broker
    broker.stop()
