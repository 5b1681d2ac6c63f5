"""PostgreSQL crashes in mid-work, or its disk is full: what was accepted is there, once, as soon as it runs again."""

import random
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from service.errors import StoreUnusable
from service.store.engine import open_store
from service.store.readings import add_readings
from service.store.sealing import QUIET_MS, Sealer
from tests.builders import a_probe, a_site, stored
from tests.postgres import Postgres
from tests.sealing_accepted import ORDER, pairs, require_accepted
from tests.sealing_workers import CHANNELS, DAYS, START, Both, batches
from tests.small_disk import Disk, small_disk

pytestmark = [pytest.mark.faults, pytest.mark.timeout(600)]


@pytest.fixture
def server(program: Callable[[str], str]) -> Iterator[Postgres]:
    """Of its own, and waiting for the disk at each commit: this one is killed."""
    cluster = Postgres(program("initdb"), durable=True)
    cluster.start()
    yield cluster
    cluster.throw_away()


def a_room(server: Postgres) -> str:
    url = server.database()
    store = open_store(url)
    with store.write() as session:
        a_site(session)
        a_probe(session, "spot", ("air_temperature", "relative_humidity"))
    store.close()
    return url


def test_a_server_that_crashes_again_and_again_loses_and_doubles_nothing(
    server: Postgres, tmp_path: Path, kills: int
) -> None:
    url, accepted = a_room(server), tmp_path / "accepted"
    accepted.write_bytes(b"")
    both, chance, cut = Both(url, accepted), random.Random(3), 0  # noqa: S311 - moments, no secret
    for moment in range(kills):
        both.start(moment, ORDER)
        time.sleep(chance.uniform(0, 0.3))
        if moment % 2:
            both.wait_for_sealing()
        server.stop("immediate")
        cut += both.kill()
        server.start()
        require_accepted(url, len(accepted.read_bytes()))
    assert len(accepted.read_bytes()) > 0
    print(f"{kills} crashes, {cut} while a day was being sealed; none lost, none doubled")  # noqa: T201 - the count is what is asked for


def test_a_full_disk_refuses_a_batch_whole_and_everything_goes_on_afterwards(program: Callable[[str], str]) -> None:
    with small_disk(96) as disk:
        server = Postgres(program("initdb"), durable=True, beneath=disk.folder)
        server.start()
        try:
            refused_whole(server, disk)
        finally:
            server.throw_away()


def refused_whole(server: Postgres, disk: Disk) -> None:
    url = a_room(server)
    store, known, refused = open_store(url), {}, 0
    with disk.filled(200_000):
        for batch in list(batches(ORDER))[:400]:
            rows = [(row[0], row[1] + part * 7, row[2], row[3]) for part in range(40) for row in batch]
            try:
                with store.write() as session:
                    add_readings(session, rows)
            except StoreUnusable:
                refused += 1
                if refused == 3:
                    break
            else:
                known = {row[:2]: row[2] for row in reversed(rows)} | known
        assert refused == 3
    deadline = time.monotonic() + 60
    while True:
        try:
            list(Sealer(store).run(START + (DAYS + 1) * 86_400_000 + QUIET_MS, lambda _: None))
            found = {(channel, at): value for channel in CHANNELS for at, value in pairs(stored(store, channel))}
            break
        except StoreUnusable:  # it recovers from its own crash
            assert time.monotonic() < deadline
            time.sleep(0.2)
    assert found == known
    store.close()
