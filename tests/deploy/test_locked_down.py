"""The guide's steps to a locked-down room: from a clean clone to a probe's value, the ingest in its own process."""

import subprocess
import sys
from collections.abc import Callable, Iterator

import httpx
import psycopg
import pytest
import yaml

from service.ingest.embedded_broker import free_port
from tests.builders import wait_until
from tests.deploy.deployed_broker import DEPLOY
from tests.deploy.stage import GUIDE, Stage, commands, line_of, staged_broker
from tests.documents import document
from tests.postgres import Postgres

OWNER = "five small dart frogs"
BROKER_PASSWORD = "4f0c1d9a2b7e6c5d8f3a1b0c9e7d6f5a"  # noqa: S105 - of this test alone


@pytest.fixture
def stage(
    tmp_path_factory: pytest.TempPathFactory, program: Callable[[str], str], postgres: Postgres
) -> Iterator[Stage]:
    """Return a computer with the test's own database server; its owner is called as the guide calls it."""
    address = postgres.url("wardian").removeprefix("postgresql+psycopg://wardian:")
    password = address.partition("@")[0]
    ports = staged_broker() | {
        "BROKER-PASSWORD": BROKER_PASSWORD,
        "DATABASE-PASSWORD@127.0.0.1/wardian": address,
    }
    made = Stage(tmp_path_factory.mktemp("locked-down") / "stage", program, ports)
    made.environment |= {
        "WARDIAN_WEB": f"127.0.0.1:{free_port()}",
        "PGHOST": "127.0.0.1", "PGPORT": str(postgres.port), "PGUSER": "wardian", "PGPASSWORD": password,
    }  # fmt: skip
    yield made
    made.stop()
    postgres.drop(postgres.url("wardian"))


def test_the_guides_steps_lead_to_a_locked_down_room(stage: Stage, postgres: Postgres) -> None:
    install, certificates, passwords, people, start, probe, keep = commands(
        GUIDE.text, "### A locked-down room, step by step"
    )
    stage.run(install)
    stage.run(certificates)
    stage.run(passwords, f"{BROKER_PASSWORD}\n{BROKER_PASSWORD}\n")
    (settings,) = (block.text for block in GUIDE.blocks("toml") if "DATABASE-PASSWORD" in block.text)
    stage.write("/var/lib/wardian/wardian.toml", settings)
    stage.write("/var/lib/wardian/room.toml", document("README.md").blocks("toml")[0].text)
    stage.run(people, f"{OWNER}\n")
    stage.run(start)
    line = line_of(stage.run(probe))
    web = f"http://{stage.environment['WARDIAN_WEB']}"
    with httpx.Client(base_url=web, headers={"Origin": web}) as owner:
        wait_until(lambda: is_ready(owner), 40)
        assert owner.get("/").status_code == 401
        owner.post("/sign-in", data={"name": "Kim", "password": OWNER, "to": "/"})
        stage.run(line)
        wait_until(lambda: "24.6" in owner.get("/").text)
    assert "broker.key" in stage.run(keep)
    assert well_by_the_containers_own_check(stage) == {"ingest": True, "watch": True, "jobs": True, "web": True}
    # The rest is away, and what a probe says is stored all the same.
    stage.run("sudo systemctl stop wardian@watch wardian@jobs wardian@web")
    stage.run(line.replace("24.6", "31.4"))
    wait_until(lambda: newest(postgres) == 31.4)
    assert True not in well_by_the_containers_own_check(stage).values()
    # In the clear, without a password, or for another probe, nothing is said.
    for wrong in (line.replace("--cafile", "--cafile /nowhere"), line.replace("-u a1-spot", "-u a1-top")):
        with pytest.raises(AssertionError):
            stage.run(wrong)
    for secret in (OWNER, BROKER_PASSWORD):
        assert secret not in stage.logs()


def is_ready(client: httpx.Client) -> bool:
    try:
        return client.get("/readyz").status_code == httpx.codes.OK
    except httpx.TransportError:
        return False


def newest(postgres: Postgres) -> float | None:
    """Return the newest value in the database that the guide made."""
    with psycopg.connect(postgres.url("wardian").replace("+psycopg", "")) as connection:
        row = connection.execute("SELECT value FROM reading ORDER BY at_ms DESC LIMIT 1").fetchone()
    return row[0] if row else None


def well_by_the_containers_own_check(stage: Stage) -> dict[str, bool]:
    """Ask as deploy/compose.yaml asks how each part is."""
    services = yaml.safe_load((DEPLOY / "compose.yaml").read_text(encoding="utf-8"))["services"]
    found = {}
    for name in ("ingest", "watch", "jobs", "web"):
        _, _, _, check = services[name]["healthcheck"]["test"]
        check = check.replace("127.0.0.1:8780", stage.environment["WARDIAN_WEB"])
        part = {"PART": services[name]["environment"].get("PART", "")}
        done = subprocess.run([sys.executable, "-c", check], env=part, capture_output=True, check=False)
        found[name] = done.returncode == 0
    return found
