"""The broker that comes along: a child process that ends with ours.

It keeps its sessions in memory only, so a real room is better served by a broker that keeps them on disk.
"""

import os
from contextlib import suppress

from iotcore import Broker

from service.errors import BrokerUnreachable, SettingInvalid
from service.ingest.broker_address import BrokerAddress
from service.settings import Settings, host_and_port, is_loopback

WINDOW = 100
"""How many messages it sends before it waits for acknowledgements, whatever its configuration says."""
_LARGEST_PAYLOAD = 256 * 1024


class EmbeddedBroker:
    """An MQTT 3.1.1 broker in a child process.

    Raises
    ------
    SettingInvalid
        When it would listen beyond loopback without a user and password.
    """

    def __init__(self, settings: Settings) -> None:
        self._host, self._port = host_and_port(settings.broker_listen)
        self._user, self._password = settings.broker_user, settings.broker_password
        if bool(self._user) != bool(self._password):
            raise SettingInvalid("WARDIAN_BROKER_USER and WARDIAN_BROKER_PASSWORD go together; set both or none")
        if not is_loopback(self._host) and not self._user:
            raise SettingInvalid(
                f"WARDIAN_BROKER_LISTEN={settings.broker_listen} is reachable from other computers: "
                "set WARDIAN_BROKER_USER and WARDIAN_BROKER_PASSWORD, or listen on 127.0.0.1"
            )
        self._config = settings.data / "broker.toml"
        self._broker: Broker | None = None

    def start(self) -> BrokerAddress:
        """Start listening and return where.

        Raises
        ------
        BrokerUnreachable
            When the port is taken or the broker does not come up.
        """
        self._write_config()
        try:
            self._broker = Broker(config_path=str(self._config)).start()
        except (OSError, RuntimeError, ValueError) as exc:
            raise BrokerUnreachable(
                f"the embedded broker cannot listen on {self._host}:{self._port} ({exc}); "
                "stop what uses that port, or set WARDIAN_BROKER_LISTEN"
            ) from exc
        return BrokerAddress(
            host="127.0.0.1" if self._host in {"0.0.0.0", "::"} else self._host,  # noqa: S104 - compared, not bound
            port=self._port,
            user=self._user or None,
            password=self._password or None,
            renumbers=True,
            window=WINDOW,
        )

    def is_running(self) -> bool:
        """Whether the child process lives."""
        return self._broker is not None and self._broker.is_running

    def revive(self) -> bool:
        """Start the child process again if it has ended; say whether it had.

        Its sessions are gone with it: probes that publish at QoS 1 connect again and go on.
        """
        if self._broker is None or self.is_running():
            return False
        self._broker.stop()
        self.start()
        return True

    def stop(self) -> None:
        """End the child process; it does no harm twice."""
        if self._broker is not None:
            self._broker.stop()
            self._broker = None
        with suppress(OSError):
            self._config.unlink()

    def _write_config(self) -> None:
        """Write the broker's configuration where only this user can read it: it holds the password."""
        self._config.parent.mkdir(parents=True, exist_ok=True)
        self._config.unlink(missing_ok=True)
        handle = os.open(self._config, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(config_text(self._host, self._port, self._user, self._password))


def config_text(host: str, port: int, user: str, password: str) -> str:
    """Return the broker's configuration in its own format."""
    listen = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
    sign_in = f"\n[v4.1.connections.auth]\n{_quoted(user)} = {_quoted(password)}\n" if user else ""
    return f"""id = 0

[router]
id = 0
max_connections = 10010
max_outgoing_packet_count = 200
max_segment_size = 104857600
max_segment_count = 10

[v4.1]
name = "probes"
listen = {_quoted(listen)}
next_connection_delay_ms = 1

[v4.1.connections]
connection_timeout_ms = 60000
max_payload_size = {_LARGEST_PAYLOAD}
max_inflight_count = {WINDOW}
dynamic_filters = true
{sign_in}"""


def _quoted(text: str) -> str:
    """Return a TOML basic string."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in escaped) + '"'


def free_port() -> int:
    """Return a loopback port that nothing listens on now."""
    import socket  # noqa: PLC0415 - only the demo asks

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]
