"""A password for each probe: made by the command, taken by the deployed broker, and worth nothing beyond its topic."""

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from sensors.examples import probe_settings
from service.commands_broker import app
from service.errors import BadUse, NotFound, Refused
from tests.builders import wait_until
from tests.deploy.deployed_broker import NOT_AUTHORISED, Client, DeployedBroker, the_service

NOBODY_LISTENS = 0x10
"""Taken, though nobody has subscribed to it (MQTT 5.0, section 3.4.2.1)."""


@pytest.fixture
def credentials(broker: DeployedBroker) -> Callable[..., Result]:
    """Return the command, on the files of the deployed broker."""

    def run(*words: str) -> Result:
        return CliRunner().invoke(app, [*words, "--configuration", str(broker.config)], catch_exceptions=False)

    return run


def said(output: str, what: str) -> str:
    """Return what the command said of one thing."""
    (line,) = (line for line in output.splitlines() if line.strip().startswith(f"{what} "))
    return line.split()[1].rstrip(",")


def test_a_new_probes_printed_line_brings_its_reading_and_nothing_else(
    broker: DeployedBroker, credentials: Callable[..., Result], program: Callable[[str], str]
) -> None:
    program("mosquitto_pub")
    with the_service(broker) as service, Client(broker, "a1-spot") as other:
        service.listen("#")
        output = credentials("a3-top").output
        password = said(output, "password")
        broker.reload()
        (line,) = (line.strip() for line in output.splitlines() if line.strip().startswith("mosquitto_pub"))
        subprocess.run(line, shell=True, check=True, timeout=20)  # noqa: S602 - as it is printed, quotes and all
        wait_until(lambda: service.heard == ["probes/a3-top"])
        with Client(broker, "a3-top", password=password) as probe:
            probe.listen("#", "probes/#")
            assert other.say("probes/a1-spot") == 0
            assert probe.say("probes/a1-spot") == NOT_AUTHORISED
        assert not other.lost.is_set()
        wait_until(lambda: len(service.heard) == 2)
        assert (service.heard[1:], probe.heard) == (["probes/a1-spot"], [])
    assert password not in (broker.folder / "wardian.passwd").read_text(encoding="utf-8")
    assert "pattern write probes/%u" in output
    assert "systemctl reload mosquitto" in output


def test_another_password_and_none_are_taken_up_while_the_broker_runs(
    broker: DeployedBroker, credentials: Callable[..., Result]
) -> None:
    first = said(credentials("add", "a3-top").output, "password")
    with pytest.raises(Refused, match=r"has a password already; --renew"):
        credentials("a3-top")
    second = said(credentials("a3-top", "--renew").output, "password")
    assert first != second
    broker.reload()
    with Client(broker, "a3-top", password=first) as stolen:
        assert stolen.refused == ["Not authorized"]
    with Client(broker, "a3-top", password=second) as probe:
        assert probe.say("probes/a3-top") == NOBODY_LISTENS
        credentials("revoke", "a3-top")
        broker.reload()
        wait_until(probe.lost.is_set)
    with Client(broker, "a3-top", password=second) as probe:
        assert probe.refused == ["Not authorized"]
    with pytest.raises(NotFound, match="there is no user a3-top"):
        credentials("revoke", "a3-top")


def test_a_topic_of_its_own_gets_a_line_of_its_own(broker: DeployedBroker, credentials: Callable[..., Result]) -> None:
    before = (broker.folder / "wardian.acl").read_text(encoding="utf-8")
    output = credentials("greenhouse", "--topic", "plants/north").output
    assert "by this line" in output
    assert "topic write plants/north" in output
    assert "plants/north" in credentials("list").output
    broker.reload()
    with the_service(broker) as service, Client(broker, "a1-spot") as other:
        service.listen("#")
        assert other.say("plants/north") == NOT_AUTHORISED
        with Client(broker, "greenhouse", password=said(output, "password")) as probe:
            assert probe.say("plants/north") == 0
        wait_until(lambda: service.heard == ["plants/north"])
    credentials("revoke", "greenhouse")
    assert (broker.folder / "wardian.acl").read_text(encoding="utf-8") == before


@pytest.mark.parametrize("mode", [0o600, 0o640, 0o666])
def test_the_files_are_shown_to_no_stranger_and_keep_their_owner(
    broker: DeployedBroker, credentials: Callable[..., Result], mode: int
) -> None:
    passwords = broker.folder / "wardian.passwd"
    passwords.chmod(mode)
    before = passwords.stat()
    lines = passwords.read_text(encoding="utf-8").splitlines()
    credentials("a3-top")
    after = passwords.stat()
    assert (after.st_mode & 0o777) == mode & 0o640
    assert (after.st_uid, after.st_gid) == (before.st_uid, before.st_gid)
    assert after.st_ino != before.st_ino
    assert passwords.read_text(encoding="utf-8").splitlines()[:-1] == lines
    assert {path.name for path in broker.folder.iterdir() if path.name.startswith(".")} == set()


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["wardian"], "is no probe"),
        (["siren", "--renew"], "is no probe"),
        (["a/b"], "cannot be a user"),
        (["a:b"], "cannot be a user"),
        (["a b"], "cannot be a user"),
        (["+"], "cannot be a user"),
        (["a3-top", "--topic", "probes/#"], "one topic, without"),
        (["a3-top", "--topic", "x\ntopic read #"], "one topic, without"),
        (["a3-top", "--passwords", "/nowhere/at-all"], "its folder cannot be read"),
        (["a3-top", "--access-list", "/nowhere/at-all"], "cannot be read"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence_and_changes_nothing(
    broker: DeployedBroker, credentials: Callable[..., Result], words: list[str], why: str
) -> None:
    files = [broker.folder / "wardian.passwd", broker.folder / "wardian.acl"]
    before = [path.read_bytes() for path in files]
    with pytest.raises(BadUse, match=why):
        credentials(*words)
    assert [path.read_bytes() for path in files] == before


def test_what_is_typed_into_the_board_is_what_its_settings_are_called(
    credentials: Callable[..., Result],
) -> None:
    printed = credentials("a3-top").output.split("probe_settings.py:")[1]
    typed: dict[str, object] = {}
    exec("\n".join(line.strip() for line in printed.splitlines()), typed)  # noqa: S102 - it is Python for the board
    names = {name for name in typed if name.isupper()}
    assert names
    assert names <= set(vars(probe_settings))
    assert (typed["USER"], typed["TOPIC"]) == ("a3-top", b"probes/a3-top")


def test_the_password_file_is_missed_with_its_name(tmp_path: Path) -> None:
    configuration = tmp_path / "mosquitto.conf"
    configuration.write_text("listener 1883\n", encoding="utf-8")
    with pytest.raises(BadUse, match="it names no password_file"):
        CliRunner().invoke(app, ["list", "--configuration", str(configuration)], catch_exceptions=False)
