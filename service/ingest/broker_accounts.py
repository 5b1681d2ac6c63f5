"""Users of the broker: a password for each probe in Mosquitto's password file, and what the access list lets it say.

Only a hash of a password is kept, in Mosquitto's own form: ``user:$7$iterations$salt$hash``, PBKDF2 with HMAC-SHA-512.
"""

import base64
import fcntl
import hashlib
import os
import secrets
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from service.errors import BadUse, NotFound, Refused, StoreFull
from service.ingest.broker_configuration import grant_for, may_publish, may_read, read_access, read_text
from service.store.files import sync_folder

_SIGNS: Final = "abcdefghjkmnpqrstuvwxyz23456789"
"""None that looks like another, none that a shell, an address or a board's settings would need escaped."""
_LENGTH: Final = 26
"""31 signs: 128 bits, more than anyone can try. [characters]"""
_ITERATIONS: Final = 1_000
"""Guesses are hopeless already; the broker, one thread, counts these at each sign-in."""
_SALT_BYTES: Final = 12
_HASH_BYTES: Final = 64
_MODES: Final = 0o640
_WILD: Final = frozenset("+#")
_MARK: Final = "# Added for a probe with a topic of its own."
_LONGEST: Final = 64


def new_password() -> str:
    """Return a password that nobody can guess and that everybody can type."""
    return "".join(secrets.choice(_SIGNS) for _ in range(_LENGTH))


def password_line(user: str, password: str) -> str:
    """Return a user's line of the password file."""
    salt = secrets.token_bytes(_SALT_BYTES)
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, _ITERATIONS, _HASH_BYTES)
    return f"{user}:$7${_ITERATIONS}${_in_letters(salt)}${_in_letters(digest)}"


def _in_letters(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")


def require_user_name(user: str) -> None:
    """Refuse a name that cannot be a probe's user.

    Raises
    ------
    BadUse
        For a name that would be a wildcard or several levels in a topic, or would break a line of the broker's files.
    """
    bad = sorted({sign for sign in user if sign in "/+#:" or not sign.isprintable() or sign.isspace()})
    if user and len(user) <= _LONGEST and not bad and not user.startswith("-"):
        return
    why = f"{' '.join(map(repr, bad))} in it" if bad else f"1 to {_LONGEST} characters, not beginning with -"
    raise BadUse(f"{user!r} cannot be a user of the broker: {why}; take the probe's id of the room file")


def add_user(passwords: Path, access: Path, user: str, topic: str, *, renew: bool) -> tuple[str, str]:
    """Give a probe a password, and a line of the access list where none lets it publish yet.

    Parameters
    ----------
    passwords, access : Path
        Mosquitto's `password_file` and `acl_file`.
    user : str
    topic : str
        Where the probe publishes.
    renew : bool
        Whether one that has a password gets another.

    Returns
    -------
    (str, str)
        The password, which is kept nowhere, and the line of the access list that lets the probe publish.

    Raises
    ------
    BadUse
        When a name or a topic cannot be, a file cannot be read, or the user is more than a probe.
    Refused
        When the probe has a password already.
    """
    require_user_name(user)
    if not topic or _WILD & set(topic) or topic.startswith("$") or any(not sign.isprintable() for sign in topic):
        raise BadUse(f"--topic {topic!r} is none that a probe can publish to: one topic, without + and #")
    with _held(passwords):
        lines = read_text(passwords, "the password file").splitlines()
        # Before any change: a probe must not become what reads everything.
        rules = read_text(access, "the access list")
        reading = may_read(read_access(rules), user)
        if reading:
            raise BadUse(f"{user} is no probe: the access list lets it read ({reading[0].line}); name a probe")
        others = [line for line in lines if line.partition(":")[0] != user]
        if len(others) < len(lines) and not renew:
            raise Refused(f"{user} has a password already; --renew gives it another, and the old one opens nothing")
        if grant_for(read_access(rules), user, topic) is None:
            rules = f"{rules.rstrip()}\n\n{_MARK}\nuser {user}\ntopic write {topic}\n"
            _write(access, rules)
        granted = grant_for(read_access(rules), user, topic)
        password = new_password()
        _write(passwords, "\n".join([*others, password_line(user, password)]) + "\n")
    return password, granted.line if granted else ""


def remove_user(passwords: Path, access: Path, user: str) -> None:
    """Take a probe's password away, and the lines of the access list that were added for it.

    Raises
    ------
    BadUse
        When a file cannot be read, or the user is more than a probe.
    NotFound
        When there is no such user.
    """
    with _held(passwords):
        lines = read_text(passwords, "the password file").splitlines()
        others = [line for line in lines if line.partition(":")[0] != user]
        if len(others) == len(lines):
            raise NotFound(f"{passwords}: there is no user {user}; `wardian probe-credentials list` shows them")
        rules = read_text(access, "the access list")
        if may_read(read_access(rules), user):
            raise BadUse(f"{user} is no probe: the access list lets it read; take it away with `mosquitto_passwd -D`")
        _write(passwords, "".join(f"{line}\n" for line in others))
        kept = "\n\n".join(part for part in rules.split("\n\n") if not part.startswith(f"{_MARK}\nuser {user}\n"))
        if kept != rules:
            _write(access, kept.rstrip() + "\n")


def users(passwords: Path, access: Path) -> list[tuple[str, list[str], list[str]]]:
    """Return each user with the topics that it may publish to, and those that it may read."""
    grants = read_access(read_text(access, "the access list"))
    names = [line.partition(":")[0] for line in read_text(passwords, "the password file").splitlines() if ":" in line]
    return [
        (
            name,
            [grant.topic_of(name) for grant in may_publish(grants, name)],
            [grant.topic_of(name) for grant in may_read(grants, name)],
        )
        for name in names
    ]


@contextmanager
def _held(passwords: Path) -> Iterator[None]:
    """Let one at a time change the broker's files: the second sees what the first wrote."""
    try:
        folder = os.open(passwords.resolve().parent, os.O_RDONLY)
    except OSError as exc:
        raise BadUse(f"{passwords}: its folder cannot be read ({exc.strerror}); say where it is") from exc
    try:
        fcntl.flock(folder, fcntl.LOCK_EX)
        yield
    finally:
        os.close(folder)


def _write(path: Path, text: str) -> None:
    """Put a file's new text in the old one's place in one step, with its owner, readable to no stranger."""
    path = path.resolve()
    before = path.stat()
    descriptor, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    beside = Path(name)
    try:
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            os.fchown(file.fileno(), before.st_uid, before.st_gid)
            os.fchmod(file.fileno(), (before.st_mode & _MODES) | 0o600)
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
        sync_folder(path.parent)
    except PermissionError as exc:
        raise BadUse(f"{path}: it belongs to another user ({exc.strerror}); run this with sudo") from exc
    except OSError as exc:
        raise StoreFull(f"{path}: cannot be written ({exc.strerror}); free space, and do it again") from exc
    finally:
        beside.unlink(missing_ok=True)
