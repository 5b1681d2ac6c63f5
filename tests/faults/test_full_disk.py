"""The disk fills while probes speak: the service stays up, says so, and stores everything once there is room."""

import json
import subprocess
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from service.ingest.broker_address import address_of
from service.ingest.embedded_broker import free_port
from service.main import now_ms
from service.store.engine import open_store
from tests.builders import a_probe, a_site, publish, publisher, stored, wait_until
from tests.mosquitto import Mosquitto
from tests.service_process import ServiceProcess

pytestmark = [pytest.mark.faults, pytest.mark.timeout(120)]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 12 MiB of its own: a real full disk. Needs the right to mount."""
    folder = tmp_path / "small"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=12m", "tmpfs", str(folder)]
    mounted = subprocess.run(command, capture_output=True, text=True, check=False)
    if mounted.returncode != 0:
        pytest.fail(f"cannot mount a small disk ({mounted.stderr.strip()}): run the tests as root")
    yield folder
    subprocess.run(["umount", "--lazy", str(folder)], check=True)


@pytest.fixture
def service(small_disk: Path, mosquitto: Mosquitto) -> Iterator[ServiceProcess]:
    process = ServiceProcess(small_disk, mosquitto.url, free_port())
    yield process
    process.kill()


def test_nothing_is_lost_when_the_disk_is_full_for_a_while(
    service: ServiceProcess, small_disk: Path, mosquitto: Mosquitto
) -> None:
    store = open_store(service.database)
    with store.write() as session:
        a_site(session)
        a_probe(session, "clock", time_pointer="/at")
    store.close()
    service.start()
    service.wait_ready()
    base, sent = now_ms() - 1_000_000, 0
    with publisher(address_of(mosquitto.url)) as probe:

        def say(count: int) -> None:
            nonlocal sent
            for _ in range(count):
                publish(probe, "probes/clock", json.dumps({"air_temperature": sent, "at": base + sent}))
                sent += 1

        def readiness() -> httpx.Response:
            return httpx.get(f"{service.url}/readyz", timeout=5)

        say(50)
        ballast = small_disk / "ballast"
        with ballast.open("wb", buffering=0) as file:
            try:
                while True:
                    file.write(b"x" * 4096)
            except OSError:
                pass
        say(500)
        wait_until(lambda: readiness().status_code == httpx.codes.SERVICE_UNAVAILABLE)
        assert "free" in readiness().text
        assert service.is_running()
        ballast.unlink()
        wait_until(lambda: readiness().status_code == httpx.codes.OK, 30)
        say(50)
    store = open_store(service.database)
    wait_until(lambda: len(stored(store, 1)) == sent)
    assert stored(store, 1).value.tolist() == [float(number) for number in range(sent)]
    store.close()
    assert service.stop() == 0
    assert "Traceback" not in service.log()


def test_a_database_of_a_newer_version_is_named_and_left_alone(tmp_path: Path) -> None:
    service = ServiceProcess(tmp_path, "embedded", free_port())
    store = open_store(service.database)
    with store.write() as session:
        session.connection().exec_driver_sql("UPDATE alembic_version SET version_num = 'of tomorrow'")
    store.close()
    before = (tmp_path / "data" / "wardian.db").read_bytes()
    refused = service.command("up", check=False)
    assert refused.returncode == 1
    assert "newer version" in refused.stderr
    assert "Traceback" not in refused.stderr
    assert (tmp_path / "data" / "wardian.db").read_bytes() == before
