"""Faults are planted in a sound room, one at a time: the doctor names each, with where it is and how to mend it.

What it says of each stands in the operator's guide; the table there and the faults here are the same.
"""

import shutil
import socket
import socketserver
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Thread
from typing import Any

import pytest

from service.doctor import examine
from service.doctor_reach import Finding
from service.ingest.embedded_broker import EmbeddedBroker, free_port
from service.model import RouteState, to_ms
from service.settings import Settings, load_settings
from service.store.backup import back_up_and_rotate
from service.store.engine import PAGE_BYTES, open_store
from service.store.processes import report
from service.store.readings import add_readings
from service.store.unclaimed import Unclaimed, keep_unclaimed
from tests.builders import NOON, an_enclosure
from tests.documents import document
from tests.small_disk import small_disk
from tests.store_furnished import furnish

NOW = NOON + timedelta(hours=1)
PASSWORD = "a-long-password"  # noqa: S105 - of a broker on loopback
_OPERATORS = document("docs/operators-guide.md")
_HEAD = ["planted", "mark", "it says", "to mend it"]
_WELL = {"ingest": (True, "hears"), "watch": (True, "watches"), "telling": (True, "tells")}


class _Greets(socketserver.StreamRequestHandler):
    def handle(self) -> None:
        self.wfile.write(b"220 mail.example.org ready\r\n")


@dataclass
class Room:
    """A room on its own disk space, in which a fault is planted."""

    folder: Path
    settings: Settings
    environment: pytest.MonkeyPatch
    until_the_end: ExitStack
    now: datetime = NOW
    changed: dict[str, Any] = field(default_factory=dict)

    @property
    def database(self) -> Path:
        return self.settings.data / "wardian.db"

    def sql(self, statement: str) -> None:
        with closing(sqlite3.connect(self.database)) as connection:
            connection.execute(statement)
            connection.commit()

    def store(self, change: Callable[[Any], object]) -> None:
        with closing(open_store(self.settings.database_url)) as store, store.write() as session:
            change(session)

    def greeting(self) -> str:
        """Return the address of a program that is neither a broker nor our pages: it greets as mail servers do."""
        server = socketserver.TCPServer(("127.0.0.1", 0), _Greets)
        Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True).start()
        self.until_the_end.callback(server.server_close)
        self.until_the_end.callback(server.shutdown)
        return f"127.0.0.1:{server.server_address[1]}"

    def findings(self) -> list[Finding]:
        return list(examine(self.settings.model_copy(update=self.changed), self.now))


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Settings]]:
    """Return a room in which nothing is amiss: its data are copied for each fault, its broker is shared."""
    folder = tmp_path_factory.mktemp("sound")
    settings = load_settings(
        data=folder / "data", broker_listen=f"127.0.0.1:{free_port()}", broker_user="probes", broker_password=PASSWORD,
        web="127.0.0.1:0", backup_folder=str(folder / "backups"),
        public_url="https://wardian.example.org",
    )  # fmt: skip
    broker = EmbeddedBroker(settings)
    address = broker.start()
    with closing(open_store(settings.database_url)) as store:
        furnish(store, channels=2, days=2)
        with store.write() as session:
            session.add(RouteState(contact_id=1, sent_at=NOON))
        back_up_and_rotate(store, folder / "backups", 1, NOON)
    with closing(sqlite3.connect(folder / "data" / "wardian.db")) as connection:
        connection.execute("UPDATE calibration SET from_at = (SELECT sent_at FROM route_state)")
        connection.commit()
    url = f"mqtt://probes:{PASSWORD}@{address.host}:{address.port}"
    yield folder, settings.model_copy(update={"broker": url})
    broker.stop()


@pytest.fixture
def room(sound: tuple[Path, Settings], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Room]:
    folder, settings = sound
    shutil.copytree(folder, tmp_path / "room")
    monkeypatch.chdir(tmp_path)
    own = {"data": tmp_path / "room" / "data", "backup_folder": str(tmp_path / "room" / "backups")}
    beat = socket.create_server(("127.0.0.1", 0))
    own["heartbeat"] = f"http://127.0.0.1:{beat.getsockname()[1]}/secret"
    with ExitStack() as until_the_end, closing(beat):
        yield Room(tmp_path / "room", settings.model_copy(update=own), monkeypatch, until_the_end)


def _torn(room: Room) -> None:
    size = room.database.stat().st_size
    with room.database.open("r+b") as file:
        file.seek(size // PAGE_BYTES * 3 // 4 * PAGE_BYTES)
        file.write(b"\x55" * PAGE_BYTES)


def _foreign(room: Room) -> None:
    room.database.unlink()
    room.sql("CREATE TABLE accounts (number INTEGER)")


def _nearly_full(room: Room) -> None:
    disk = room.until_the_end.enter_context(small_disk(2))
    room.until_the_end.enter_context(disk.filled(100_000))
    room.changed["data"] = disk.folder
    room.changed["database"] = f"sqlite:///{room.database}"


def _anybody_reads(room: Room) -> None:
    # The folders of tests are nobody else's: what anybody reads has to stand elsewhere.
    folder = Path(room.until_the_end.enter_context(TemporaryDirectory(prefix="wardian-secret-")))
    folder.chmod(0o755)
    secret = folder / "password"
    secret.write_text(PASSWORD, encoding="utf-8")
    secret.chmod(0o644)
    room.environment.setenv("WARDIAN_BROKER_PASSWORD_FILE", str(secret))


def _read_only(room: Room) -> None:
    room.database.chmod(0o444)


def _no_folder(room: Room) -> None:
    (room.folder / "notes.txt").write_text("a file", encoding="utf-8")
    room.changed["backup_folder"] = str(room.folder / "notes.txt" / "backups")


def _bare_enclosure(room: Room) -> None:
    room.store(lambda session: an_enclosure(session, "rack-b-1"))
    room.sql("DELETE FROM profile_assignment WHERE enclosure_id = 2")


def _stopped(room: Room) -> None:
    room.store(lambda session: report(session, "up here:1", _WELL, {}, NOW))
    room.store(lambda session: report(session, "watch here:7", _WELL, {}, NOW - timedelta(minutes=5)))


def _nobody_tells(room: Room) -> None:
    parts = {part: state for part, state in _WELL.items() if part != "telling"}
    room.store(lambda session: report(session, "ingest here:1", parts, {}, NOW))


def _one_silent(room: Room) -> None:
    room.now += timedelta(days=3)
    room.store(lambda session: add_readings(session, [(1, to_ms(room.now), 30.0, 1)]))


def _unclaimed(room: Room) -> None:
    message = Unclaimed(NOON, "probes/attic", b"21.5", False, None, ("",), "no probe has this topic")
    room.store(lambda session: keep_unclaimed(session, [message]))


def _sets(**changed: str) -> Callable[[Room], None]:
    return lambda room: room.changed.update(changed)


def _runs(*statements: str) -> Callable[[Room], None]:
    return lambda room: [room.sql(statement) for statement in statements] and None


def _later(**span: float) -> Callable[[Room], None]:
    def wait(room: Room) -> None:
        room.now += timedelta(**span)

    return wait


PLANTED: dict[str, Callable[[Room], None]] = {
    "a torn page of the database": _torn,
    "a sealed day that is not as it was written": _runs("UPDATE reading_block SET body = x'00' WHERE channel_id = 1"),
    "a fact that belongs to nothing": _runs("DELETE FROM animal"),
    "a database of another program": _foreign,
    "a database of a newer version": _runs("UPDATE alembic_version SET version_num = '9999'"),
    "a database that is read-only": _read_only,
    "a disk that is nearly full": _nearly_full,
    "readings that are still to come": _later(days=-1),
    "a broker that is not there": lambda room: room.changed.update(broker=f"mqtt://127.0.0.1:{free_port()}"),
    "a wrong password at the broker": lambda room: room.changed.update(
        broker=room.settings.broker.replace(PASSWORD, "another-password")
    ),
    "another program in the broker's place": lambda room: room.changed.update(broker=f"mqtt://{room.greeting()}"),
    "the embedded broker in a real room": lambda room: room.changed.update(
        broker="embedded", broker_listen=f"127.0.0.1:{free_port()}"
    ),
    "no backups": _sets(backup_folder=""),
    "a newest backup that is old": _later(days=3),
    "a backup folder that cannot be written": _no_folder,
    "readings that are deleted, and no backups": _sets(backup_folder="", keep_readings_days="400"),
    "nobody to tell": _runs("DELETE FROM escalation", "DELETE FROM route_state", "DELETE FROM contact"),
    "a contact's route that is none": _runs("UPDATE contact SET route = 'smoke://signals'"),
    "a route that fails": _runs("UPDATE route_state SET failing_since = sent_at, said = 'no answer'"),
    "an escalation to nobody": _runs("""UPDATE escalation SET contacts = '["gone"]'"""),
    "no heartbeat": _sets(heartbeat=""),
    "a heartbeat that is not reached": lambda room: room.changed.update(heartbeat=f"http://127.0.0.1:{free_port()}/x"),
    "a part that has stopped": _stopped,
    "a part that no process does": _nobody_tells,
    "a port that is taken": lambda room: room.changed.update(web=room.greeting()),
    "pages that other computers reach": _sets(web="0.0.0.0:8780"),
    "a public address without TLS": _sets(public_url="http://wardian.example.org"),
    "a secret that anybody reads": _anybody_reads,
    "a password that is guessed first": _sets(
        broker="embedded",
        broker_user="probes",
        broker_password="probes",  # noqa: S106 - the fault
    ),
    "a probe that is silent for days": _one_silent,
    "messages of no probe": _unclaimed,
    "an enclosure without a profile": _bare_enclosure,
    "an enclosure without a probe": lambda room: room.store(lambda session: an_enclosure(session, "rack-b-1")),
    "a reference check that is due": _runs("UPDATE calibration SET from_at = 1577836800000"),
}


def _told() -> dict[str, list[str]]:
    """Return what the guide says of each fault: the mark, words of the line, words of how it is mended."""
    table = _OPERATORS.text.split("### What the doctor finds", 1)[1].split("\n\n")[2]
    rows = [[cell.strip() for cell in line.strip("|").split(" | ")] for line in table.splitlines()]
    assert rows[0] == _HEAD
    return {row[0]: [cell.strip("`") for cell in row[1:]] for row in rows[2:]}


def test_the_guide_tells_of_every_fault_that_is_planted_and_of_no_other() -> None:
    assert list(_told()) == list(PLANTED)
    assert len(PLANTED) >= 20


def test_a_sound_room_shows_none_of_them(room: Room) -> None:
    findings = room.findings()
    assert [finding for finding in findings if finding.mark == "wrong"] == []
    for fault, (_mark, says, _mend) in _told().items():
        assert not any(says in finding.said for finding in findings), fault


@pytest.mark.parametrize("fault", PLANTED)
def test_a_planted_fault_is_named_and_how_it_is_mended(room: Room, fault: str) -> None:
    mark, says, mend = _told()[fault]
    PLANTED[fault](room)
    findings = room.findings()
    said = [f"{finding.mark} {finding.said}" for finding in findings]
    assert any(finding.mark == mark and says in finding.said and mend in finding.said for finding in findings), said
    for secret in (PASSWORD, "another-password", "/secret"):
        assert secret not in " ".join(said)
