"""The broker as deploy/ configures it, started for real, and clients that try what they may."""

import os
import shutil
import ssl
import subprocess
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties

from service.ingest.embedded_broker import free_port
from tests.builders import wait_until
from tests.documents import ROOT
from tests.mosquitto import Mosquitto

DEPLOY = ROOT / "deploy"
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
        # As root it would become the user mosquitto, who may not read a test's folder. What it says of a reload is
        # what `reload` waits for.
        own = f"user {'root' if os.geteuid() == 0 else 'mosquitto'}\nlog_type information"
        self.config.write_text(f"{text}\n{own}\n", encoding="utf-8")
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


def the_service(broker: DeployedBroker) -> Client:
    return Client(broker, "wardian", session="wardian-1", tls=False)
