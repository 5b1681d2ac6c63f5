"""What `wardian doctor` finds of secrets and doors: files that anybody reads, guessable passwords, an open address."""

import os
import stat
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from service.doctor_reach import Finding, wrong
from service.settings import Settings, is_loopback
from service.store.files import sqlite_path

_SECRETS: Final = ("broker", "broker_password", "database", "heartbeat")
_GUESSED_FIRST: Final = frozenset({"password", "wardian", "mosquitto", "raspberry", "12345678", "changeme"})
_SHORTEST: Final = 8
"""Of a password that programs send: what is shorter can be tried out. NIST SP 800-63B, section 3.1.1."""


def secret_findings(settings: Settings) -> Iterator[Finding]:
    """Yield where a secret can be read or guessed, and where it crosses a network in the clear."""
    for path, what in _files_with_secrets(settings):
        if _anybody_reads(path):
            yield wrong(
                "secrets",
                f"{path} holds {what}, and every user of this computer can read it: chmod o-rwx {path}",
            )
    password = settings.broker_password if settings.broker == "embedded" else urlsplit(settings.broker).password or ""
    user = settings.broker_user if settings.broker == "embedded" else urlsplit(settings.broker).username or ""
    if password and (len(password) < _SHORTEST or password.lower() in _GUESSED_FIRST | {user.lower()}):
        setting = "WARDIAN_BROKER_PASSWORD" if settings.broker == "embedded" else "WARDIAN_BROKER"
        yield wrong(
            "secrets",
            f"the broker's password in {setting} is short or is tried first by whoever guesses: "
            "take another, as `openssl rand -hex 16` makes one",
        )
    public = urlsplit(settings.public_url)
    if public.scheme == "http" and not is_loopback(public.hostname or ""):
        yield wrong(
            "pages",
            f"WARDIAN_PUBLIC_URL={settings.public_url} is not encrypted: passwords cross the network in the clear; "
            "put a reverse proxy with TLS before the pages, and write https",
        )


def _files_with_secrets(settings: Settings) -> Iterator[tuple[Path, str]]:
    for field in _SECRETS:
        name = f"WARDIAN_{field.upper()}_FILE"
        if name in os.environ:
            yield Path(os.environ[name]), f"WARDIAN_{field.upper()}"
    toml = Path("wardian.toml")
    if toml.is_file():
        said = tomllib.loads(toml.read_text(encoding="utf-8"))
        if held := [field for field in _SECRETS if field in {"broker_password", "heartbeat"} & said.keys()]:
            yield toml, " and ".join(held)
        elif any("@" in str(said.get(field, "")) for field in ("broker", "database")):
            yield toml, "a password"
    path = sqlite_path(settings.database_url)
    if path is not None and path.is_file():
        yield path, "the routes of contacts and who can sign in"


def _anybody_reads(path: Path) -> bool:
    """Whether a user who is neither the owner nor of the group gets at a file."""
    if not path.is_file() or not path.stat().st_mode & stat.S_IROTH:
        return False
    return all(folder.stat().st_mode & stat.S_IXOTH for folder in path.absolute().parents)
