"""A task that one process at a time does."""

import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from service.settings import Settings
from service.store.claims import Claims
from service.store.engine import Store, open_store

_OTHER = """
import sys, time
from service.store.claims import Claims
from service.store.engine import open_store
claims = Claims(open_store(sys.argv[1]))
print([claims.take(name) for name in sys.argv[2:]], flush=True)
time.sleep(60)
"""


@pytest.fixture
def claims(store: Store) -> Iterator[Claims]:
    made = Claims(store)
    yield made
    made.close()


@contextmanager
def _elsewhere(settings: Settings, *names: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Give another process that claims these, with what it said."""
    command = [sys.executable, "-c", _OTHER, settings.database_url, *names]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield process, process.stdout.readline().strip()
        finally:
            process.kill()


def _soon(claims: Claims, name: str) -> bool:
    end = time.monotonic() + 20
    while not claims.take(name):
        if time.monotonic() > end:
            return False
        time.sleep(0.05)
    return True


def test_a_task_is_one_processs_until_that_is_killed(settings: Settings, claims: Claims) -> None:
    with _elsewhere(settings, "jobs", "watch-1") as (other, said):
        assert said == "[True, True]"
        assert not claims.take("jobs")
        assert claims.take("watch-2")
        assert claims.among(["jobs", "watch-1", "watch-2", "watch-3"]) == 3
        other.send_signal(signal.SIGKILL)
        assert _soon(claims, "jobs")
    assert claims.mine() == {"jobs", "watch-2"}


def test_what_is_let_go_is_free_for_another(settings: Settings, claims: Claims) -> None:
    assert claims.take("jobs")
    assert claims.take("jobs")
    assert claims.take("watch-1")
    claims.release("jobs")
    claims.release("never-claimed")
    assert claims.mine() == {"watch-1"}
    with _elsewhere(settings, "jobs", "watch-1") as (_, said):
        assert said == "[True, False]"


def test_with_the_connection_every_claim_is_lost_and_may_be_taken_again(
    new_postgresql: Callable[[], str],
) -> None:
    store = open_store(new_postgresql())
    claims = Claims(store)
    assert claims.take("jobs")
    assert claims.among(["jobs", "watch-1"]) == 1
    with store.write() as session:
        session.connection().exec_driver_sql(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
            " WHERE datname = current_database() AND pid <> pg_backend_pid()"
        )
    assert claims.mine() == frozenset()
    assert _soon(claims, "jobs")
    claims.close()
    store.close()
