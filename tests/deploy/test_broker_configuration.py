"""The broker's configuration that deploy/ carries, started for real and tried by probes that want too much."""

import socket
import subprocess
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest

from service.ingest.embedded_broker import free_port
from tests.builders import wait_until
from tests.deploy.deployed_broker import DEPLOY, NOT_AUTHORISED, PASSWORDS, Client, DeployedBroker, the_service
from tests.documents import document
from tests.service_process import ServiceProcess

QUEUED = 5_000


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
