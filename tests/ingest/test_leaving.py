"""An ingest worker that is to be no more."""

import threading
from pathlib import Path

from service.ingest.broker_address import address_of
from service.ingest.intake import Intake
from service.main import drain_worker, now_ms
from service.main_ear import Ear
from service.settings import load_settings
from service.store.claims import Claims
from service.store.engine import open_store
from tests.builders import a_probe, a_site, publish, publisher, stored, wait_until
from tests.mosquitto import Mosquitto


def test_a_worker_that_leaves_takes_what_was_kept_for_it_and_is_forgotten(tmp_path: Path, mosquitto: Mosquitto) -> None:
    settings = load_settings(data=tmp_path / "data", broker=mosquitto.url)
    store = open_store(settings.database_url)
    with store.write() as session:
        a_site(session)
        a_probe(session, "plain", format="scalar")
    claims, stop = Claims(store), threading.Event()
    ear = Ear(settings, store, Intake(store, 100, 2**20), claims, lambda: None, now_ms, worker=2)
    ear.start(stop)
    wait_until(lambda: ear.states()["broker"].ok)
    stop.set()
    ear.stop(10)
    claims.close()
    with publisher(address_of(mosquitto.url)) as probe:
        publish(probe, "probes/plain", "21.5")
        drain_worker(settings, 2)
        assert stored(store, 1).value.tolist() == [21.5]
        publish(probe, "probes/plain", "22.5")
        drain_worker(settings, 2)
    assert stored(store, 1).value.tolist() == [21.5]
    store.close()
