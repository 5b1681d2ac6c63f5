"""Several processes of each part on one PostgreSQL: any of them is killed at any moment, and nothing shows it."""

import random
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from service.store.engine import open_store
from tests.builders import wait_until
from tests.mosquitto import Mosquitto
from tests.several_processes import MOST_STEPS, Site, Stream, require_as_if_nothing_had_been

pytestmark = [pytest.mark.faults, pytest.mark.timeout(2_400)]
_STEPS_A_KILL = 12
"""The stream is to outlast the kills; it speaks slower when there are many, so that hindsight has less to read."""


@pytest.fixture
def site(tmp_path: Path, new_postgresql: Callable[[], str], mosquitto: Mosquitto) -> Iterator[Site]:
    made = Site(tmp_path, new_postgresql(), mosquitto.url)
    made.furnish()
    yield made
    made.throw_away()


def test_whichever_process_is_killed_readings_and_alarms_are_as_if_none_had_been(
    site: Site, mosquitto: Mosquitto, kills: int
) -> None:
    moments = random.Random(11)  # noqa: S311 - whom to kill, and when
    wait_until(site.is_ready, 60)
    many = kills * _STEPS_A_KILL > MOST_STEPS
    stream = Stream(mosquitto.url, max(MOST_STEPS, kills * _STEPS_A_KILL), 0.2 if many else 0.08)
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
    store = open_store(site.database)
    require_as_if_nothing_had_been(site, store, stream)
    assert spoke_throughout
    assert set(site.stop().values()) == {0}
    store.close()
    print(f"{kills} kills with the seed 11: {dict(killed)}; {stream.accepted * 10} readings; none lost, none doubled")  # noqa: T201


def _wait_for_work(site: Site, name: str) -> None:
    """Wait until a process is at its work: a kill of one that is only being loaded would try nothing."""
    wait_until(lambda: site.works(name), 90)
