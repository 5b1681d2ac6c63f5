"""What tests of every part share: real stores, real brokers, and honest words about what is missing."""

import gc
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from service.ingest.broker_address import BrokerAddress
from service.ingest.embedded_broker import EmbeddedBroker, free_port
from service.settings import Settings, load_settings
from service.store.engine import Store, open_store
from service.store.files import sqlite_path
from tests.empty_store import put_empty_sqlite
from tests.mosquitto import Mosquitto
from tests.postgres import Postgres

ON_BOTH_DATABASES = {"store", "ingest"}
# Files that take longest, by how they begin: begun first, so that no worker is left alone with them at the end.
LONGEST = (
    "tests/faults/", "tests/truth/", "tests/deploy/", "tests/browser/test_browser_ways", "tests/test_whole_way",
    "tests/store/test_backup_killed", "tests/lookback/",
)  # fmt: skip


@pytest.fixture(scope="session")
def program() -> Callable[[str], str]:
    """Return the path of a program; without it the test is named as not run, and in CI it fails."""

    def find(name: str) -> str:
        # Debian keeps the programs of PostgreSQL's server apart, by version.
        apart = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda folder: int(folder.parts[4]), reverse=True)
        folders = [os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin", *map(str, apart)]
        path = shutil.which(name, path=":".join(folders))
        if path is None:
            said = f"{name} is not installed: not tested"
            if os.environ.get("CI") == "true":
                pytest.fail(said)
            pytest.skip(said)
        return path

    return find


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Run what is tried of the store and of the ingest on both databases."""
    if "database" in metafunc.fixturenames and metafunc.definition.path.parent.name in ON_BOTH_DATABASES:
        metafunc.parametrize("database", ["sqlite", "postgresql"], indirect=True)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the longest files; the rest keep their order."""
    items.sort(key=lambda item: not item.nodeid.startswith(LONGEST))


def pytest_collection_finish() -> None:
    """Leave the thousands of tests themselves out of the search for garbage: each search would look at them all."""
    gc.collect()
    gc.freeze()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--kills", type=int, default=2, help="How often each command that changes the store is killed.")
    parser.addoption("--malformed", type=int, default=20_000, help="How many messages that are none are sent.")


@pytest.fixture
def kills(pytestconfig: pytest.Config) -> int:
    """Return how often a command is killed, at moments that are the same in each run."""
    return pytestconfig.getoption("--kills")


@pytest.fixture
def malformed(pytestconfig: pytest.Config) -> int:
    """Return how many messages are sent that nobody can read."""
    return pytestconfig.getoption("--malformed")


@pytest.fixture(scope="session")
def postgres(program: Callable[[str], str]) -> Iterator[Postgres]:
    cluster = Postgres(program("initdb"))
    cluster.start()
    yield cluster
    cluster.throw_away()


@pytest.fixture(scope="session")
def furnished_database(postgres: Postgres) -> str:
    """Return the name of a database with all tables: a copy of it is made faster than they are."""
    url = postgres.database()
    open_store(url).close()
    return url.rsplit("/", 1)[1]


@pytest.fixture
def new_postgresql(postgres: Postgres, furnished_database: str) -> Iterator[Callable[..., str]]:
    """Return what makes a database with empty tables, or with no tables at all, and gives its URL."""
    made: list[str] = []

    def make(template: str = furnished_database) -> str:
        made.append(postgres.database(template))
        return made[-1]

    yield make
    for url in made:
        postgres.drop(url)


@pytest.fixture
def database(request: pytest.FixtureRequest) -> Iterator[str]:
    """Return the URL of the test's database; empty means SQLite in the data folder."""
    if getattr(request, "param", "sqlite") == "sqlite":
        yield ""
        return
    cluster, template = request.getfixturevalue("postgres"), request.getfixturevalue("furnished_database")
    url = cluster.database(template)
    yield url
    cluster.drop(url)


@pytest.fixture
def settings(tmp_path: Path, database: str) -> Settings:
    return load_settings(
        data=tmp_path / "data", database=database, broker_listen=f"127.0.0.1:{free_port()}", web="127.0.0.1:0"
    )


@pytest.fixture
def store(settings: Settings) -> Iterator[Store]:
    path = sqlite_path(settings.database_url)
    if path is not None:
        put_empty_sqlite(path)
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
