"""What `wardian doctor` finds at the other end of a connection: broker, pages, heartbeat."""

import secrets
import socket
import ssl
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal
from urllib.parse import urlsplit

import httpx

from service.ingest.broker_address import BrokerAddress, address_of
from service.settings import Settings, host_and_port, is_loopback

_TIMEOUT_S: Final = 5.0
_NAMES: Final = {1: "its protocol version", 2: "the client identifier", 4: "user or password", 5: "not authorised"}
_HUNG_UP: Final = -1
_CLEAN, _PASSWORD, _USER = 0x02, 0x40, 0x80
_SCHEME_PORTS: Final = {"http": 80, "https": 443}


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found of one part: well, a note that asks for nothing at once, or wrong with how to mend it."""

    mark: Literal["well", "note", "wrong"]
    subject: str
    said: str


def well(subject: str, said: str) -> Finding:
    """Return that a part is as it should be."""
    return Finding("well", subject, said)


def note(subject: str, said: str) -> Finding:
    """Return something worth knowing."""
    return Finding("note", subject, said)


def wrong(subject: str, said: str) -> Finding:
    """Return something that has to be mended."""
    return Finding("wrong", subject, said)


def broker_findings(settings: Settings) -> Iterator[Finding]:
    """Yield whether the broker takes us, and whether it would keep readings while we are away."""
    if settings.broker != "embedded":
        yield _tried(address_of(settings.broker), "check WARDIAN_BROKER, and that the broker runs")
        return
    host, port = host_and_port(settings.broker_listen)
    if bool(settings.broker_user) != bool(settings.broker_password):
        yield wrong("broker", "WARDIAN_BROKER_USER and WARDIAN_BROKER_PASSWORD go together; set both or none")
    elif not is_loopback(host) and not settings.broker_user:
        yield wrong(
            "broker",
            f"WARDIAN_BROKER_LISTEN={settings.broker_listen} is reachable from other computers: "
            "set WARDIAN_BROKER_USER and WARDIAN_BROKER_PASSWORD, or listen on 127.0.0.1",
        )
    else:
        yield _embedded(BrokerAddress(_near(host), port, False, settings.broker_user, settings.broker_password))
    yield note(
        "broker",
        "the embedded one keeps its sessions in memory only: what probes send while Wardian is down is lost. "
        "For a real room use Mosquitto with deploy/mosquitto, which keeps them on disk",
    )


def _near(host: str) -> str:
    return "127.0.0.1" if host in {"0.0.0.0", "::"} else host  # noqa: S104 - compared, not bound


def _embedded(address: BrokerAddress) -> Finding:
    try:
        socket.create_connection((address.host, address.port), _TIMEOUT_S).close()
    except OSError:
        return well("broker", f"nothing listens on {address.host}:{address.port}: the embedded broker can start there")
    return _tried(address, "another program uses that port: stop it, or set WARDIAN_BROKER_LISTEN")


def _tried(address: BrokerAddress, mend: str) -> Finding:
    """Connect as a client that leaves nothing behind."""
    try:
        answer = _connack(address)
    except ssl.SSLError as exc:
        said = f"{address}: no TLS connection ({exc.reason or exc}); check its certificate, or set SSL_CERT_FILE"
        return wrong("broker", said)
    except OSError as exc:
        return wrong("broker", f"{address}: no answer ({exc.strerror or exc}); {mend}")
    if answer == _HUNG_UP:
        said = (
            f"{address}: does not let us in (it hangs up without a word); check the user and the password, and {mend}"
        )
        return wrong("broker", said)
    if answer is None:
        return wrong("broker", f"{address}: what answers there does not speak MQTT; {mend}")
    if answer:
        said = (
            f"{address}: does not let us in ({_NAMES.get(answer, f'code {answer}')}); check the user and the password"
        )
        return wrong("broker", said)
    return well("broker", f"{address} answers and takes our user")


def _connack(address: BrokerAddress) -> int | None:
    """Return the code that the broker answers to a connection with; None when it is no MQTT, -1 when nothing comes.

    References
    ----------
    .. [1] OASIS, "MQTT Version 3.1.1", sections 3.1 and 3.2.
    """
    with (
        socket.create_connection((address.host, address.port), _TIMEOUT_S) as plain,
        _secured(plain, address) as connection,
    ):
        connection.sendall(_connect_packet(address))
        answer = connection.recv(4, socket.MSG_WAITALL) if not address.tls else connection.recv(4)
        if len(answer) == 4 and answer[0] == 0x20:  # noqa: PLR2004 - a CONNACK, by the standard
            connection.sendall(b"\xe0\x00")
            return answer[3]
    return None if answer else _HUNG_UP


def _secured(plain: socket.socket, address: BrokerAddress) -> socket.socket:
    if not address.tls:
        return plain
    return ssl.create_default_context().wrap_socket(plain, server_hostname=address.host)


def _connect_packet(address: BrokerAddress) -> bytes:
    def text(value: str) -> bytes:
        encoded = value.encode()
        return struct.pack(">H", len(encoded)) + encoded

    flags, parts = _CLEAN, [text(f"wardian-doctor-{secrets.token_hex(4)}")]
    for flag, value in ((_USER, address.user), (_PASSWORD, address.password)):
        if value:
            flags |= flag
            parts.append(text(value))
    body = text("MQTT") + bytes([4, flags, 0, 10]) + b"".join(parts)
    return b"\x10" + _length(len(body)) + body


def _length(count: int) -> bytes:
    """Return a length as MQTT writes it: seven bits a byte, the lowest first."""
    out = bytearray()
    while True:
        count, low = divmod(count, 128)
        out.append(low | (128 if count else 0))
        if not count:
            return bytes(out)


def web_finding(web: str) -> Finding:
    """Say whether the pages can be shown where the setting says, or are being shown there now."""
    host, port = host_and_port(web)
    if not is_loopback(host):
        said = f"WARDIAN_WEB={web} is reachable from other computers: listen on 127.0.0.1 behind a reverse proxy"
        return wrong("pages", said)
    try:
        with socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET):
            return well("pages", f"{web} is free for them")
    except OSError:
        return _who_answers(web)


def _who_answers(web: str) -> Finding:
    try:
        status = httpx.get(f"http://{web}/readyz", timeout=_TIMEOUT_S, trust_env=False).status_code
    except httpx.HTTPError:
        status = 0
    if status == httpx.codes.OK:
        return well("pages", f"Wardian runs at http://{web}/ and is ready")
    if status == httpx.codes.SERVICE_UNAVAILABLE:
        return wrong("pages", f"Wardian runs at http://{web}/ and is not ready; http://{web}/readyz says why")
    return wrong("pages", f"{web} is taken by another program; stop it, or set WARDIAN_WEB")


def heartbeat_finding(url: str) -> Finding:
    """Say whether the outside watcher can be reached; no beat is sent, since that would say that all is well."""
    if not url:
        return note("heartbeat", "nobody outside is told when this computer is gone; set WARDIAN_HEARTBEAT")
    parts = urlsplit(url)
    if parts.scheme not in _SCHEME_PORTS or not parts.hostname:
        return wrong("heartbeat", "WARDIAN_HEARTBEAT is no URL; expected https://host/path")
    port = parts.port or _SCHEME_PORTS[parts.scheme]
    try:
        socket.create_connection((parts.hostname, port), _TIMEOUT_S).close()
    except OSError as exc:
        said = f"{parts.hostname}:{port} does not answer ({exc.strerror or exc}); check WARDIAN_HEARTBEAT"
        return wrong("heartbeat", f"{said} and the way to the internet")
    return well("heartbeat", f"{parts.hostname} can be reached (no beat was sent)")
