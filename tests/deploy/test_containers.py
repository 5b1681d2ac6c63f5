"""The containers that deploy/ describes, taken apart: they ask for what is there."""

import re

import yaml

from service.settings import Settings
from tests.deploy.deployed_broker import DEPLOY
from tests.documents import ROOT, document


def test_the_containers_ask_for_what_is_there() -> None:
    compose = yaml.safe_load((DEPLOY / "compose.yaml").read_text(encoding="utf-8"))
    dockerfile = (DEPLOY / "Dockerfile").read_text(encoding="utf-8")
    guide = document("docs/operators-guide.md").text
    stages = set(re.findall(r"^FROM \S+ AS (\w+)$", dockerfile, re.MULTILINE))
    assert set(compose["services"]) == stages == {"broker", "wardian"}
    for name, service in compose["services"].items():
        assert service["build"]["target"] == name
        assert (DEPLOY / service["build"]["context"]).resolve() == ROOT
        assert (ROOT / service["build"]["dockerfile"]).is_file()
        assert service["restart"] == "unless-stopped"
        assert service["cap_drop"] == ["ALL"]
        for volume in service["volumes"]:
            source = volume.split(":")[0]
            if source.startswith("./secrets/"):
                assert f"deploy/{source[2:]}" in guide
            elif source.startswith("."):
                assert (DEPLOY / source).exists()
            else:
                assert source in compose["volumes"]
    for secret in compose["secrets"].values():
        assert f"deploy/{secret['file'][2:]}" in guide
    known = {f"WARDIAN_{name.upper()}" for name in Settings.model_fields}
    asked = {name.removesuffix("_FILE") for name in compose["services"]["wardian"]["environment"]}
    assert asked <= known


def test_the_images_are_made_of_what_is_there() -> None:
    dockerfile = (DEPLOY / "Dockerfile").read_text(encoding="utf-8")
    copied = [name for line in re.findall(r"^COPY (.+)$", dockerfile, re.MULTILINE) for name in line.split()[:-1]]
    ignored = (DEPLOY / "Dockerfile.dockerignore").read_text(encoding="utf-8").splitlines()
    assert copied
    for name in copied:
        assert (ROOT / name).exists()
        assert f"!{name}" in ignored
