"""What deploy/ carries: the broker's configuration started for real, the unit and the containers taken apart."""

import configparser
import os
import re
import shutil
import socket
import ssl
import subprocess
import sys
import threading
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Self

import httpx
import paho.mqtt.client as mqtt
import pytest
import yaml
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties

from service.ingest.embedded_broker import free_port
from service.settings import Settings
from tests.builders import wait_until
from tests.documents import ROOT, document
from tests.mosquitto import Mosquitto
from tests.service_process import ServiceProcess

DEPLOY = ROOT / "deploy"
UNIT = DEPLOY / "systemd" / "wardian.service"
PROBES_UNIT = DEPLOY / "systemd" / "wardian-probes.service"
PART_UNIT = DEPLOY / "systemd" / "wardian@.service"
WORKER_UNIT = DEPLOY / "systemd" / "wardian-ingest@.service"
QUEUED = 5_000
NOT_AUTHORISED = 0x87
PASSWORDS = {
    "wardian": "of the service", "a1-spot": "of the first", "a1-top": "of the second", "siren": "of the siren",
}  # fmt: skip


class DeployedBroker(Mosquitto):
    """Mosquitto as deploy/ configures it: only the places of its files, and its ports, are the test's."""

    def __init__(self, program: Callable[[str], str], folder: Path, certificates: Path) -> None:
        super().__init__(program("mosquitto"), folder, free_port())
        self.tls_port, self.certificates = free_port(), certificates
        passwords = folder / "wardian.passwd"
        passwords.touch(0o600)
        for user, password in PASSWORDS.items():
            subprocess.run([program("mosquitto_passwd"), "-b", passwords, user, password], check=True)
        shutil.copy(DEPLOY / "mosquitto" / "wardian.acl", folder)
        (folder / "wardian.acl").chmod(0o600)
        text = (DEPLOY / "mosquitto" / "wardian.conf").read_text(encoding="utf-8")
        for shipped, here in {
            "/etc/mosquitto/certs": str(certificates),
            "/etc/mosquitto/": f"{folder}/",
            "persistence_location /var/lib/mosquitto/": f"persistence_location {folder}/",
            "listener 1883 127.0.0.1": f"listener {self.port} 127.0.0.1",
            "listener 8883": f"listener {self.tls_port}",
        }.items():
            assert shipped in text
            text = text.replace(shipped, here)
        # As root it would become the user mosquitto, who may not read a test's folder.
        self.config.write_text(f"{text}\nuser {'root' if os.geteuid() == 0 else 'mosquitto'}\n", encoding="utf-8")
        self.url = f"mqtt://wardian:{PASSWORDS['wardian'].replace(' ', '%20')}@127.0.0.1:{self.port}"


class Client:
    """A client of one of the two listeners that remembers what it was told; probes come over TLS, by MQTT 5."""

    def __init__(
        self, broker: DeployedBroker, user: str | None, *, session: str = "", tls: bool = True, password: str = ""
    ) -> None:
        self.heard: list[str] = []
        self.published: dict[int, int] = {}
        self.refused: list[str] = []
        self.subscribed = 0
        self.lost = threading.Event()
        self.connected = threading.Event()
        self._keeps = bool(session) and not tls
        kind = {"protocol": mqtt.MQTTv311, "clean_session": False} if self._keeps else {"protocol": mqtt.MQTTv5}
        self.mqtt = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=session, reconnect_on_failure=False, **kind)
        self.mqtt.max_inflight_messages_set(1000)
        if user is not None:
            self.mqtt.username_pw_set(user, password or PASSWORDS[user])
        if tls:
            self.mqtt.tls_set_context(ssl.create_default_context(cafile=str(broker.certificates / "ca.crt")))
        self._address = ("localhost", broker.tls_port) if tls else ("127.0.0.1", broker.port)
        self.mqtt.on_connect, self.mqtt.on_disconnect = self._on_connect, lambda *_: self.lost.set()
        self.mqtt.on_message = lambda _client, _userdata, message: self.heard.append(message.topic)
        self.mqtt.on_publish = self._on_publish
        self.mqtt.on_subscribe = self._on_subscribe

    def __enter__(self) -> Self:
        self.mqtt.connect(*self._address)
        self.mqtt.loop_start()
        wait_until(lambda: self.connected.is_set() or bool(self.refused))
        return self

    def __exit__(self, *_: object) -> None:
        self.mqtt.disconnect()
        self.mqtt.loop_stop()

    def _on_connect(
        self, _client: mqtt.Client, _userdata: object, _flags: object, reason: mqtt.ReasonCode, _: Properties | None
    ) -> None:
        if reason.is_failure:
            self.refused.append(str(reason))
        else:
            self.connected.set()

    def _on_publish(
        self, _client: mqtt.Client, _userdata: object, mid: int, reason: mqtt.ReasonCode, _: Properties | None
    ) -> None:
        self.published[mid] = reason.value

    def _on_subscribe(self, *_: object) -> None:
        self.subscribed += 1

    def listen(self, *filters: str) -> None:
        """Subscribe, and wait until the broker says so: what it sent before has then come."""
        wanted = self.subscribed + len(filters)
        for topic_filter in filters:
            self.mqtt.subscribe(topic_filter, 1)
        wait_until(lambda: self.subscribed == wanted)

    def say(self, topic: str, payload: str = "1", **more: bool) -> int:
        """Publish at QoS 1 and return the broker's answer, 0 for yes."""
        message = self.mqtt.publish(topic, payload, qos=1, **more)
        wait_until(lambda: message.mid in self.published)
        return self.published[message.mid]


@pytest.fixture(scope="module")
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


def the_service(broker: DeployedBroker) -> Client:
    return Client(broker, "wardian", session="wardian-1", tls=False)


def test_nothing_that_was_accepted_is_dropped(broker: DeployedBroker) -> None:
    with the_service(broker) as service:
        service.listen("#")
    with Client(broker, "a1-spot") as probe:
        sent = [probe.mqtt.publish("probes/a1-spot", str(number), qos=1).mid for number in range(QUEUED)]
        wait_until(lambda: len(probe.published) == QUEUED, 30)
        assert {probe.published[mid] for mid in sent} == {0}
    broker.stop()
    broker.start()
    with the_service(broker) as service:
        wait_until(lambda: len(service.heard) >= QUEUED, 30)
        service.listen("#")
        assert service.heard == ["probes/a1-spot"] * QUEUED


def test_the_queue_has_a_bound_that_the_readme_explains() -> None:
    text = (DEPLOY / "mosquitto" / "wardian.conf").read_text(encoding="utf-8")
    options = dict(line.split(maxsplit=1) for line in text.splitlines() if line and not line.startswith("#"))
    assert options["max_queued_messages"] == "0"
    assert options["max_inflight_messages"] == "1000"
    bound = int(options["max_queued_bytes"])
    assert bound > 0
    assert f"{bound // 2**20} MiB" in document("deploy/mosquitto/README.md").text


@pytest.mark.parametrize(
    "topic", ["probes/a1-top", "probes/a1-spot-2", "probes", "probes/", "wardian/alarms/rack-a-1", "other"]
)
def test_a_probe_publishes_under_its_own_topic_alone(broker: DeployedBroker, topic: str) -> None:
    with the_service(broker) as service:
        service.listen("#")
        with Client(broker, "a1-spot") as probe:
            assert probe.say(topic) == NOT_AUTHORISED
        # A fresh connection: this Mosquitto ends one that tried what it may not.
        with Client(broker, "a1-spot") as probe:
            assert probe.say("probes/a1-spot") == 0
            assert probe.say("probes/a1-spot/battery") == 0
        wait_until(lambda: len(service.heard) >= 2)
        service.listen("#")
        assert service.heard == ["probes/a1-spot", "probes/a1-spot/battery"]


def test_a_probe_leaves_no_will_on_anothers_topic(broker: DeployedBroker) -> None:
    with the_service(broker) as service:
        service.listen("#")
        for topic in ("probes/a1-top", "probes/a1-spot"):
            probe = Client(broker, "a1-spot")
            probe.mqtt.will_set(topic, "gone", qos=1)
            with probe:
                probe.mqtt.socket().shutdown(socket.SHUT_RDWR)
                wait_until(probe.lost.is_set)
        wait_until(lambda: bool(service.heard))
        service.listen("#")
        assert service.heard == ["probes/a1-spot"]


def test_a_probe_reads_nothing(broker: DeployedBroker) -> None:
    with the_service(broker) as service, Client(broker, "a1-top") as other, Client(broker, "a1-spot") as curious:
        service.listen("#")
        assert other.say("probes/a1-top", retain=True) == 0
        filters = ("#", "probes/+", "probes/a1-spot", "wardian/#", "$SYS/#")
        curious.listen(*filters)
        assert other.say("probes/a1-top") == 0
        assert curious.say("probes/a1-spot") == 0
        service.mqtt.publish("wardian/alarms/rack-a-1", "raised", qos=1, retain=True).wait_for_publish(10)
        wait_until(lambda: len(service.heard) >= 4)
        curious.listen(*filters)
        assert curious.heard == []


def test_the_service_says_the_alarms_a_siren_hears_them_and_a_probe_can_neither(broker: DeployedBroker) -> None:
    topic = "wardian/alarms/rack-a-1/basking-overheat"
    # This Mosquitto ends a connection that tried what it may not: each of them is a fresh one.
    for user in ("a1-spot", "siren"):
        with Client(broker, user) as stranger:
            assert stranger.say(topic) == NOT_AUTHORISED
    with the_service(broker) as service, Client(broker, "a1-spot") as probe, Client(broker, "siren") as siren:
        siren.listen("#")
        probe.listen("#")
        assert service.say(topic, "{}", retain=True) == 0
        wait_until(lambda: siren.heard == [topic])
        assert probe.say("probes/a1-spot") == 0
        with Client(broker, "siren") as late:
            late.listen("wardian/alarms/#")
            wait_until(lambda: late.heard == [topic])
        assert (siren.heard, probe.heard) == ([topic], [])


def test_workers_share_what_the_probes_say(broker: DeployedBroker) -> None:
    with the_service(broker) as first, Client(broker, "a1-spot") as probe:
        first.listen("$share/wardian/#")
        for number in range(10):
            assert probe.say(f"probes/a1-spot/{number}") == 0
        wait_until(lambda: len(first.heard) == 10)


@pytest.mark.parametrize("tls", [True, False], ids=["from the network", "on this computer"])
@pytest.mark.parametrize(
    ("user", "password"), [(None, ""), ("a1-spot", "wrong"), ("nobody", "of the first")], ids=["none", "wrong", "other"]
)
def test_nobody_comes_in_without_a_password(broker: DeployedBroker, tls: bool, user: str | None, password: str) -> None:
    with Client(broker, user, tls=tls, password=password) as stranger:
        assert stranger.refused == ["Not authorized"]


def test_the_network_listener_speaks_tls_alone(broker: DeployedBroker) -> None:
    plain = Client(broker, "a1-spot", tls=False)
    plain.mqtt.connect("127.0.0.1", broker.tls_port)
    plain.mqtt.loop_start()
    wait_until(plain.lost.is_set)
    plain.mqtt.loop_stop()
    assert not plain.connected.is_set()


def test_a_probe_cannot_take_over_the_services_session(broker: DeployedBroker) -> None:
    with the_service(broker) as service:
        service.listen("#")
        with Client(broker, "a1-spot", session="wardian-1") as probe:
            assert probe.say("probes/a1-spot") == 0
            wait_until(lambda: service.heard == ["probes/a1-spot"])
        assert not service.lost.is_set()


def test_a_huge_message_is_refused_and_holds_up_nobody(broker: DeployedBroker) -> None:
    with the_service(broker) as service, Client(broker, "a1-spot") as huge, Client(broker, "a1-top") as other:
        service.listen("#")
        huge.mqtt.publish("probes/a1-spot", b"x" * 300_000, qos=1)
        wait_until(huge.lost.is_set)
        assert other.say("probes/a1-top") == 0
        wait_until(lambda: service.heard == ["probes/a1-top"])


def test_a_probes_reading_comes_to_the_room_through_the_deployed_broker(
    broker: DeployedBroker, tmp_path: Path, program: Callable[[str], str]
) -> None:
    secret = tmp_path / "broker-address"
    secret.write_text(f"{broker.url}\n", encoding="utf-8")
    process = ServiceProcess(tmp_path / "service", "embedded", free_port(), WARDIAN_BROKER_FILE=str(secret))
    # The environment goes before a secret file: there must be none.
    del process._environment["WARDIAN_BROKER"]
    (process.folder / "room.toml").write_text(document("README.md").blocks("toml")[0].text, encoding="utf-8")
    process.command("room", "apply", "room.toml", "--yes")
    process.start()
    try:
        process.wait_ready()
        line = [program("mosquitto_pub"), "-h", "localhost", "-p", str(broker.tls_port), "--cafile"]
        line += [str(broker.certificates / "ca.crt"), "-u", "a1-spot", "-P", PASSWORDS["a1-spot"], "-q", "1"]
        subprocess.run([*line, "-t", "probes/a1-spot", "-m", '{"temperature": 33.7}'], check=True, timeout=20)
        wait_until(lambda: "33.7" in httpx.get(f"{process.url}/").text)
    finally:
        assert process.stop() == 0
    assert PASSWORDS["wardian"] not in process.log()


def test_certificates_that_are_there_are_not_overwritten(certificates: Path) -> None:
    before = (certificates / "broker.key").read_bytes()
    script = str(DEPLOY / "mosquitto" / "make-certificates.sh")
    again = subprocess.run(["sh", script, "localhost", str(certificates)], capture_output=True, text=True, check=False)
    assert again.returncode == 1
    assert "is there already" in again.stderr
    assert (certificates / "broker.key").read_bytes() == before
    assert (certificates / "broker.key").stat().st_mode & 0o077 == 0


def _unit(path: Path) -> configparser.ConfigParser:
    """Return a unit's options; of one that stands several times the last."""
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read_string(path.read_text(encoding="utf-8"))
    return parser


def _verified_by_systemd(path: Path, folder: Path) -> None:
    """Let systemd itself read the unit, with a program that is there in the place of the installed one."""
    here = folder / path.name
    program = Path(sys.executable).with_name("wardian")
    here.write_text(path.read_text(encoding="utf-8").replace("/opt/wardian/.venv/bin/wardian", str(program)))
    said = subprocess.run(["systemd-analyze", "verify", here], capture_output=True, text=True, check=False)
    assert (said.returncode, said.stdout, said.stderr) == (0, "", "")
    # Of 100; below 20 it calls a service well protected.
    hardened = ["systemd-analyze", "security", "--offline=true", "--threshold=20", here]
    said = subprocess.run(hardened, capture_output=True, text=True, check=False)
    assert said.returncode == 0, said.stdout


def _parsed_alone(path: Path, _folder: Path) -> None:
    assert _unit(path).sections() == ["Unit", "Service", "Install"]


# The name of the test says how the unit was read.
_READ_BY = ("systemd-analyze", _verified_by_systemd) if shutil.which("systemd-analyze") else ("parser", _parsed_alone)


@pytest.mark.parametrize("read", [pytest.param(_READ_BY[1], id=f"read-by-{_READ_BY[0]}")])
@pytest.mark.parametrize("unit", [UNIT, PROBES_UNIT, PART_UNIT, WORKER_UNIT], ids=lambda unit: unit.stem)
def test_the_unit_is_sound(tmp_path: Path, unit: Path, read: Callable[[Path, Path], None]) -> None:
    read(unit, tmp_path)


@pytest.mark.parametrize(
    ("unit", "command"),
    [(UNIT, "up"), (PROBES_UNIT, "read-probes --every 60"), (PART_UNIT, "%i"), (WORKER_UNIT, "ingest --worker %i")],
)
def test_the_unit_comes_back_after_any_end_but_a_wrong_setting(unit: Path, command: str) -> None:
    service = _unit(unit)["Service"]
    assert service["ExecStart"] == f"/opt/wardian/.venv/bin/wardian {command}"
    assert (service["Restart"], service["RestartPreventExitStatus"]) == ("always", "2")
    assert service["User"] != "root"
    assert service["WorkingDirectory"] == f"/var/lib/{service['StateDirectory']}"
    for option in ("NoNewPrivileges", "PrivateTmp", "PrivateDevices", "ProtectHome", "MemoryDenyWriteExecute"):
        assert service[option] == "yes"


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


def test_the_built_package_carries_pages_profiles_and_migrations(tmp_path: Path) -> None:
    build = ["wheel", "--quiet", "--no-index", "--no-deps", "--no-build-isolation", "--wheel-dir", str(tmp_path)]
    subprocess.run([sys.executable, "-m", "pip", *build, str(ROOT)], check=True, timeout=110)
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as package:
        packed = set(package.namelist())
    for folder in ("dashboard/templates", "dashboard/static", "service/roomfile/profiles", "service/store/migrations"):
        files = [path for path in (ROOT / folder).rglob("*.*") if "__pycache__" not in path.parts]
        assert files
        assert {path.relative_to(ROOT).as_posix() for path in files} <= packed
