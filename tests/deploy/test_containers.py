"""The containers that deploy/ describes, taken apart: they ask for what is there."""

import re
import shutil
import subprocess
from collections.abc import Callable

import pytest
import yaml

from service.cli import COMMANDS
from service.settings import Settings
from tests.deploy.deployed_broker import DEPLOY
from tests.documents import ROOT, document

FILE = DEPLOY / "compose.yaml"
COMPOSE = yaml.safe_load(FILE.read_text(encoding="utf-8"))
SERVICES = COMPOSE["services"]
GUIDE = document("docs/operators-guide.md").text
OURS = {"wardian", "ingest", "watch", "jobs", "web"}


def _read_by_compose() -> None:
    """Let the engine's own tool read the file; it needs no engine for that."""
    command = ["docker-compose", "-f", FILE, "--profile", "one", "--profile", "parts", "config", "--quiet"]
    said = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (said.returncode, said.stderr) == (0, "")


def _parsed_alone() -> None:
    assert set(COMPOSE) == {"services", "secrets", "volumes"} | {key for key in COMPOSE if key.startswith("x-")}


# The name of the test says how the file was read.
_READ_BY = ("compose", _read_by_compose) if shutil.which("docker-compose") else ("parser", _parsed_alone)


@pytest.mark.parametrize("read", [pytest.param(_READ_BY[1], id=f"read-by-{_READ_BY[0]}")])
def test_the_file_is_sound(read: Callable[[], None]) -> None:
    read()


def test_a_profile_is_a_whole_room() -> None:
    profiles = {
        profile: {name for name, service in SERVICES.items() if profile in service["profiles"]}
        for profile in ("one", "parts")
    }
    assert profiles == {"one": {"broker", "wardian"}, "parts": {"broker", "postgresql", *OURS} - {"wardian"}}
    for name, service in SERVICES.items():
        assert service["healthcheck"]["test"][0] == "CMD"
        for other, when in service.get("depends_on", {}).items():
            assert set(service["profiles"]) <= set(SERVICES[other]["profiles"]), f"{name} waits for {other}"
            assert when == {"condition": "service_healthy"}


@pytest.mark.parametrize("name", sorted(SERVICES))
def test_a_container_asks_for_what_is_there_and_may_do_little(name: str) -> None:
    service = SERVICES[name]
    assert service["restart"] == "unless-stopped"
    assert service["cap_drop"] == ["ALL"]
    assert service["security_opt"] == ["no-new-privileges:true"]
    if name != "postgresql":
        assert service["read_only"]
        assert (DEPLOY / service["build"]["context"]).resolve() == ROOT
        assert (ROOT / service["build"]["dockerfile"]).is_file()
        assert service["build"]["target"] == ("wardian" if name in OURS else name)
    for volume in service["volumes"]:
        source = volume.split(":")[0]
        if source.startswith("./secrets/"):
            assert f"deploy/{source[2:]}" in GUIDE
        elif source.startswith("."):
            assert (DEPLOY / source).exists()
        else:
            assert source in COMPOSE["volumes"]
    asked = service.get("environment", {})
    for named, value in asked.items():
        if named.endswith("_FILE"):
            assert value.removeprefix("/run/secrets/") in service["secrets"]
    if name in OURS:
        assert service["command"][:2] in [["wardian", command] for command in COMMANDS]
        known = {f"WARDIAN_{field.upper()}" for field in Settings.model_fields}
        assert {each.removesuffix("_FILE") for each in asked} - {"PART"} <= known


def test_each_secret_is_explained_and_each_stage_is_used() -> None:
    assert {secret for service in SERVICES.values() for secret in service.get("secrets", [])} == set(COMPOSE["secrets"])
    for secret in COMPOSE["secrets"].values():
        assert f"deploy/{secret['file'][2:]}" in GUIDE
    dockerfile = (DEPLOY / "Dockerfile").read_text(encoding="utf-8")
    stages = set(re.findall(r"^FROM \S+ AS (\w+)$", dockerfile, re.MULTILINE))
    assert {service["build"]["target"] for service in SERVICES.values() if "build" in service} == stages


def test_the_images_are_made_of_what_is_there() -> None:
    dockerfile = (DEPLOY / "Dockerfile").read_text(encoding="utf-8")
    copied = [name for line in re.findall(r"^COPY (.+)$", dockerfile, re.MULTILINE) for name in line.split()[:-1]]
    ignored = (DEPLOY / "Dockerfile.dockerignore").read_text(encoding="utf-8").splitlines()
    assert copied
    for name in copied:
        assert (ROOT / name).exists()
        assert f"!{name}" in ignored
