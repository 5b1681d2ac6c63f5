"""The way back to a version that knows no sealed days: their readings are rows again."""

from pathlib import Path

from service.store.blocks import DAY_MS
from service.store.engine import open_store
from service.store.readings import add_readings
from service.store.sealing import QUIET_MS, Sealer
from tests.builders import a_probe, a_site, stored
from tests.store_furnished import migrate

START = 20_000 * DAY_MS
ROWS = [(1, START + n * 3_600_000 + n % 7, n / 8, 1 + n % 3) for n in range(24 * 5)]


def test_down_and_up_again_loses_no_reading(tmp_path: Path, database: str) -> None:
    url = database or f"sqlite:///{tmp_path}/w.db"
    store = open_store(url)
    with store.write() as session:
        a_site(session)
        a_probe(session, "spot")
        add_readings(session, ROWS)
    assert list(Sealer(store).run(START + 4 * DAY_MS + QUIET_MS, lambda _: None))
    before = stored(store, 1)
    store.close()
    migrate(url, "0007")
    store = open_store(url)
    with store.read() as session:
        assert session.connection().exec_driver_sql("SELECT count(*) FROM reading").scalar_one() == len(ROWS)
    after = stored(store, 1)
    store.close()
    assert [getattr(after, name).tobytes() for name in ("at", "value", "flags")] == [
        getattr(before, name).tobytes() for name in ("at", "value", "flags")
    ]
