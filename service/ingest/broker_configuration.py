"""What Mosquitto's own files say: where they are, how probes reach the broker, and who may publish what."""

import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from service.errors import BadUse
from service.ingest.topic_filters import matches

_WRITES: Final = frozenset({"write", "readwrite"})
_READS: Final = frozenset({"read", "readwrite"})
_TLS_PORT: Final = 8883


@dataclass(frozen=True, slots=True)
class BrokerFiles:
    """What a configuration names; None where it names nothing."""

    passwords: Path | None
    access: Path | None
    authority: Path | None
    certificate: Path | None
    port: int


@dataclass(frozen=True, slots=True)
class Grant:
    """A line of the access list: what a user, or by a pattern every user, may do."""

    user: str | None
    access: str
    topic: str
    line: str

    def topic_of(self, user: str) -> str:
        """Return the topic filter as it stands for a user; a client's identifier is its user name here."""
        return self.topic.replace("%u", user).replace("%c", user) if self.user is None else self.topic


def read_text(path: Path, what: str) -> str:
    """Return what one of the broker's files holds.

    Raises
    ------
    BadUse
        When it cannot be read.
    """
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as exc:
        reason = exc.strerror if isinstance(exc, OSError) else "no UTF-8"
        raise BadUse(f"{path}: {what} cannot be read ({reason}); run this on the broker's computer with sudo") from exc


def read_configuration(text: str) -> BrokerFiles:
    """Take from a configuration where its files are, and the port of the first listener that speaks TLS."""
    said: dict[str, str] = {}
    port, listener = _TLS_PORT, _TLS_PORT
    for key, value in _options(text):
        if key == "listener":
            listener = int(value.split()[0]) if value.split()[0].isdecimal() else _TLS_PORT
        elif key in {"cafile", "certfile"} and key not in said:
            port = listener
        said.setdefault(key, value)
    named = {key: Path(value) for key, value in said.items() if key.endswith("file")}
    return BrokerFiles(
        named.get("password_file"), named.get("acl_file"), named.get("cafile"), named.get("certfile"), port
    )


def _options(text: str) -> list[tuple[str, str]]:
    lines = [line.strip() for line in text.splitlines()]
    parts = [line.split(maxsplit=1) for line in lines if line and not line.startswith("#")]
    return [(part[0], part[1]) for part in parts if len(part) > 1]


def name_in_certificate(certificate: Path) -> str | None:
    """Return the first name that a certificate is for, None where that cannot be told; `openssl` reads it."""
    command = ["openssl", "x509", "-in", str(certificate), "-noout", "-ext", "subjectAltName"]
    try:
        said = subprocess.run(command, capture_output=True, text=True, timeout=10, check=True).stdout  # noqa: S603
    except (OSError, subprocess.SubprocessError):
        return None
    names = [part.strip().removeprefix("DNS:") for part in said.replace("\n", ",").split(",") if "DNS:" in part]
    return names[0] if names else None


def read_access(text: str) -> list[Grant]:
    """Take an access list apart into what it grants; what it denies is not looked at."""
    grants: list[Grant] = []
    user: str | None = None
    for key, value in _options(text):
        if key == "user":
            user = value
            continue
        if key not in {"topic", "pattern"}:
            continue
        access, _, topic = value.partition(" ")
        if access not in _READS | _WRITES | {"deny"}:
            access, topic = "readwrite", value
        whose = None if key == "pattern" else user
        # A topic line before any user is for clients without a name: none of ours.
        if access != "deny" and (key == "pattern" or user is not None):
            grants.append(Grant(whose, access, topic.strip(), f"{key} {value}"))
    return grants


def may_publish(grants: list[Grant], user: str) -> list[Grant]:
    """Return what lets a user publish."""
    return [grant for grant in grants if grant.user in {None, user} and grant.access in _WRITES]


def may_read(grants: list[Grant], user: str) -> list[Grant]:
    """Return what lets a user read."""
    return [grant for grant in grants if grant.user in {None, user} and grant.access in _READS]


def grant_for(grants: list[Grant], user: str, topic: str) -> Grant | None:
    """Return the line that lets a user publish to a topic; None where there is none."""
    return next((grant for grant in may_publish(grants, user) if matches(grant.topic_of(user), topic)), None)
