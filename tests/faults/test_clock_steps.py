"""The computer's clock is set by an hour, either way, under real processes: nothing stands still, nothing is lost.

The clock is that of the system's library, for these processes alone; what only ever goes on (monotonic time) is left
as it is, as it is when somebody sets a real clock.
"""

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from service.main import now_ms
from service.model import ProcessReport, table_of
from service.store.engine import Store, open_store
from service.store.readings import newest_readings
from tests.builders import wait_until
from tests.mosquitto import Mosquitto
from tests.part_starter import PartStarter
from tests.several_processes import Site, Stream, require_as_if_nothing_had_been

pytestmark = [pytest.mark.faults, pytest.mark.timeout(300)]
HOUR_S = 3_600


class SetClock:
    """A clock that is so many seconds beside the true one."""

    def __init__(self, library: Path, folder: Path) -> None:
        self._file = folder / "clock"
        self.set(0)
        self.environment = {
            "LD_PRELOAD": str(library),
            "FAKETIME_TIMESTAMP_FILE": str(self._file),
            "FAKETIME_CACHE_DURATION": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
        }

    def set(self, beside_s: int) -> None:
        beside = self._file.with_suffix(".new")
        beside.write_text(f"{beside_s:+d}\n", encoding="ascii")
        beside.replace(self._file)


@pytest.fixture
def clock(program: Callable[[str], str], tmp_path: Path) -> SetClock:
    program("faketime")
    (library,) = Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1")
    return SetClock(library, tmp_path)


@pytest.fixture
def site(tmp_path: Path, new_postgresql: Callable[[], str], mosquitto: Mosquitto, clock: SetClock) -> Iterator[Site]:
    starter = PartStarter(clock.environment)
    made = Site(starter, tmp_path, new_postgresql(), mosquitto.url)
    made.commands = {name: made.commands[name] for name in ("ingest 1", "watch a", "jobs a", "web")}
    made.furnish()
    yield made
    made.throw_away()
    starter.close()


def test_a_clock_set_by_an_hour_loses_no_reading_and_no_job_stands_still(
    site: Site, mosquitto: Mosquitto, clock: SetClock
) -> None:
    wait_until(site.is_ready, 60)
    store = open_store(site.database)
    stream = Stream(mosquitto.url, site.database)
    stream.start()
    for beside_s in (HOUR_S, 0):
        clock.set(beside_s)
        _everyone_reports_anew(store)
        wait_until(site.is_ready, 20)  # what the others said is believed anew once they have said it
        _wait_for_steps(stream, 5)
    stream.end()
    require_as_if_nothing_had_been(site, store, stream)
    with store.read() as session:
        # Probes without a clock go on at the time that the clock has now, not at that of the hour that was ahead.
        assert all(newest.at_ms < now_ms() + 60_000 for newest in newest_readings(session))
    assert all(site.is_running(name) for name in site.commands)
    assert set(site.stop().values()) == {0}
    store.close()


def _everyone_reports_anew(store: Store) -> None:
    """Wait until each process has said again how it is: a job that waits for an hour to come back would not."""
    told = table_of(ProcessReport)

    def reported() -> dict[str, object]:
        with store.read() as session:
            return {row.name: row.reported_at for row in session.execute(sa.select(told.c.name, told.c.reported_at))}

    before = reported()
    assert len(before) == 4
    wait_until(lambda: all(at != before[name] for name, at in reported().items()), 20)


def _wait_for_steps(stream: Stream, steps: int) -> None:
    before = stream.accepted
    wait_until(lambda: stream.accepted >= before + steps or not stream.is_alive(), 30)
    time.sleep(0.2)
