"""kill -9 while days are sealed and readings come in: every accepted reading is there, once, as it was sent."""

import random
import time
from pathlib import Path

import pytest

from service.store.blocks import DAY_MS
from service.store.engine import open_store
from service.store.sealing import QUIET_MS, Sealer
from tests.builders import a_probe, a_site
from tests.sealing_accepted import ORDER, require_accepted
from tests.sealing_workers import DAYS, START, Both, batches
from tests.store_kills import ENOUGH_KILLS

pytestmark = [pytest.mark.faults, pytest.mark.timeout(900)]


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Of a database with two channels."""
    of = f"sqlite:///{tmp_path}/w.db" if request.param == "sqlite" else request.getfixturevalue("new_postgresql")()
    store = open_store(of)
    with store.write() as session:
        a_site(session)
        a_probe(session, "spot", ("air_temperature", "relative_humidity"))
    store.close()
    return of


@pytest.mark.parametrize("sealers", [1, 2], ids=["one sealer", "two sealers"])
def test_nothing_is_lost_or_doubled_when_sealing_is_killed(
    url: str, tmp_path: Path, kills: int, sealers: int, record_property: object
) -> None:
    accepted = tmp_path / "accepted"
    accepted.write_bytes(b"")
    both, chance, cut = Both(url, accepted, sealers), random.Random(sealers), 0  # noqa: S311 - moments, no secret
    for moment in range(kills):
        both.start(moment, ORDER)
        time.sleep(chance.uniform(0, 0.2))
        if moment % 2:
            both.wait_for_sealing()
            time.sleep(chance.uniform(0, 0.01))
        cut += both.kill()
        require_accepted(url, len(accepted.read_bytes()))
    both.start(0, ORDER)
    deadline = time.monotonic() + 120
    while not both.has_written_all():
        assert time.monotonic() < deadline
        time.sleep(0.05)
    both.kill()
    whole = sum(len({row[:2] for row in batch if row[2] < 1000}) for batch in batches(ORDER))
    assert require_accepted(url, len(accepted.read_bytes())) == whole
    store = open_store(url)
    list(Sealer(store).run(START + (DAYS + 1) * DAY_MS + QUIET_MS, lambda _: None))
    with store.read() as session:
        assert session.connection().exec_driver_sql("SELECT count(*) FROM reading").scalar_one() == 0
    store.close()
    assert require_accepted(url, len(accepted.read_bytes())) == whole
    assert cut > 0 or kills < ENOUGH_KILLS
    record_property("kills", kills)
    record_property("kills while a day was being sealed", cut)
    print(f"{kills} kills, {cut} while a day was being sealed; {whole} readings, none lost, none doubled")  # noqa: T201 - the count is what is asked for
