import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.deploy.deployed_broker import DEPLOY, DeployedBroker


@pytest.fixture(scope="session")
def certificates(program: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return throw-away certificates, made by the shipped script."""
    program("openssl")
    folder = tmp_path_factory.mktemp("certificates") / "certs"
    script = str(DEPLOY / "mosquitto" / "make-certificates.sh")
    subprocess.run(["sh", script, "localhost", str(folder), "127.0.0.1"], check=True, capture_output=True)
    return folder


@pytest.fixture
def broker(program: Callable[[str], str], tmp_path: Path, certificates: Path) -> Iterator[DeployedBroker]:
    deployed = DeployedBroker(program, tmp_path / "broker", certificates)
    deployed.start()
    yield deployed
    deployed.stop()
