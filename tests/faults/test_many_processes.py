"""Several processes of each part on one PostgreSQL: any is killed, broker and database restarted, nothing shows it."""

import random
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from service.store.engine import open_store
from tests.builders import wait_until
from tests.figures_told import figures_at, figures_in_the_guide
from tests.mosquitto import Mosquitto
from tests.part_starter import PartStarter
from tests.postgres import Postgres
from tests.several_processes import MOST_STEPS, Site, Stream, require_as_if_nothing_had_been

pytestmark = [pytest.mark.faults, pytest.mark.timeout(2_400)]
_STEPS_A_KILL = 12
"""The stream is to outlast the kills; it speaks slower when there are many, so that hindsight has less to read."""


@pytest.fixture(scope="module")
def starter() -> Iterator[PartStarter]:
    made = PartStarter()
    yield made
    made.close()


@pytest.fixture(scope="module")
def server(program: Callable[[str], str]) -> Iterator[Postgres]:
    """Of its own, and waiting for the disk at each commit: this one is stopped as by a power cut."""
    cluster = Postgres(program("initdb"), durable=True)
    cluster.start()
    yield cluster
    cluster.throw_away()


@pytest.fixture
def site(starter: PartStarter, tmp_path: Path, server: Postgres, mosquitto: Mosquitto) -> Iterator[Site]:
    made = Site(starter, tmp_path, server.database(), mosquitto.url)
    made.furnish()
    yield made
    made.throw_away()


def test_whichever_process_is_killed_readings_and_alarms_are_as_if_none_had_been(
    site: Site, mosquitto: Mosquitto, kills: int
) -> None:
    moments = random.Random(11)  # noqa: S311 - whom to kill, and when
    wait_until(site.is_ready, 60)
    many = kills * _STEPS_A_KILL > MOST_STEPS
    stream = Stream(mosquitto.url, site.database, max(MOST_STEPS, kills * _STEPS_A_KILL), 0.2 if many else 0.08)
    stream.start()
    killed: Counter[str] = Counter()
    for number in range(kills):
        victim = moments.choice(sorted(site.commands))
        _wait_for_work(site, victim)
        time.sleep(moments.uniform(0.0, 0.5))
        site.kill(victim)
        killed[victim.split()[0]] += 1
        time.sleep(moments.uniform(0.0, 0.3))
        site.start(victim)
        if number % 25 == 24:
            print(f"{number + 1} kills: {dict(killed)}, {stream.accepted} steps", flush=True)  # noqa: T201 - asked for
    spoke_throughout = stream.is_alive()
    stream.end()
    wait_until(site.is_ready, 60)
    wait_until(lambda: figures_at(site.url) == figures_in_the_guide())
    _require_whole(site, stream)
    assert spoke_throughout
    print(f"{kills} kills with the seed 11: {dict(killed)}; {stream.accepted * 10} readings; none lost, none doubled")  # noqa: T201


def test_broker_and_database_are_restarted_and_all_parts_go_on_by_themselves(
    site: Site, server: Postgres, mosquitto: Mosquitto, kills: int
) -> None:
    moments = random.Random(17)  # noqa: S311 - when, and for how long
    wait_until(site.is_ready, 60)
    each = max(1, kills // 3)
    stream = Stream(mosquitto.url, site.database, 300 * each)
    stream.start()
    for what in moments.sample([mosquitto, "fast", "immediate"] * each, 3 * each):
        time.sleep(moments.uniform(0.3, 1.5))
        _restart(what, server, moments.uniform(0.0, 1.0))
        wait_until(site.is_ready, 60)
    stream.end()
    # A probe sends again what a broker did not answer before it went: without a clock it cannot be told apart.
    _require_whole(site, stream, may_repeat=True)
    print(f"{each} restarts of the broker, {each} of the database and {each} crashes of it; none lost, none doubled")  # noqa: T201


def _require_whole(site: Site, stream: Stream, *, may_repeat: bool = False) -> None:
    store = open_store(site.database)
    require_as_if_nothing_had_been(site, store, stream, may_repeat=may_repeat)
    store.close()
    assert set(site.stop().values()) == {0}


def _wait_for_work(site: Site, name: str) -> None:
    """Wait until a process is at its work: a kill of one that is only being loaded would try nothing."""
    wait_until(lambda: site.works(name), 90)


def _restart(what: Mosquitto | str, server: Postgres, away_s: float) -> None:
    if isinstance(what, Mosquitto):
        what.stop()
        time.sleep(away_s)
        what.start()
    else:
        server.stop(what)
        time.sleep(away_s)
        server.start()
