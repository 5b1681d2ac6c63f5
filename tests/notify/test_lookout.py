"""A second machine tells when nothing is heard of the first, and the first says that it is well only while it is."""

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import httpx
import pytest
from typer.testing import CliRunner

from service.cli import app
from service.errors import HeartbeatRefused, HeartbeatUnanswered
from service.ingest.embedded_broker import free_port
from service.jobs import Heartbeat
from service.main_telling import Telling
from service.model import to_ms
from service.notify.heartbeat import beat
from service.notify.lookout import Lookout, beat_server, poll
from service.notify.pace import Pace
from service.store.engine import Store
from service.store.readings import add_readings
from tests.builders import NOON, NOON_MS, a_probe, a_site, an_enclosure, wait_until
from tests.notify.receivers import HookServer, Mailbox

QUICK = replace(Pace(), first_retry=timedelta(milliseconds=50))


def test_beats_that_stay_away_are_told_once_and_so_is_their_return(mailbox: Mailbox, hook: HookServer) -> None:
    hook.answers = [500, 500]
    lookout = Lookout([mailbox.route, hook.route], "North house", 0.3, QUICK)
    port = free_port()
    server = beat_server("127.0.0.1", port, "kF3v9Qx2", lookout.heard)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    address = httpx.URL(f"http://127.0.0.1:{port}/beat/kF3v9Qx2")

    def looks(seconds: float, *, beats: bool, until: Callable[[], bool] = lambda: False) -> None:
        ends = time.monotonic() + seconds
        with httpx.Client() as client:
            while time.monotonic() < ends and not until():
                if beats:
                    beat(client, address)
                lookout.look()
                time.sleep(0.02)

    looks(0.5, beats=True)
    assert mailbox.mails == []
    looks(30, beats=False, until=lambda: bool(mailbox.mails and hook.taken))
    assert mailbox.subjects == ["Nothing is heard of North house"]
    assert "independent high-limit cut-out" in mailbox.text()
    assert [post.body["title"] for post in hook.taken] == ["Nothing is heard of North house"]
    assert len(hook.posts) == 3
    looks(30, beats=True, until=lambda: len(mailbox.mails) > 1)
    assert mailbox.subjects[1:] == ["North house is heard again"]
    with httpx.Client() as client:
        assert client.get(f"http://127.0.0.1:{port}/beat/wrong").status_code == 404
        with pytest.raises(HeartbeatRefused):
            beat(client, httpx.URL(f"http://127.0.0.1:{port}/beat/wrong"))
    server.shutdown()
    server.server_close()


def test_it_can_ask_instead_of_waiting_to_be_called(hook: HookServer) -> None:
    heard, stop = threading.Event(), threading.Event()
    hook.status = 503
    thread = threading.Thread(target=poll, args=(f"{hook.url}/readyz", heard.set, stop, 0.02))
    thread.start()
    wait_until(lambda: len(hook.posts) > 2)
    assert not heard.is_set()
    hook.status = 200
    assert heard.wait(5)
    stop.set()
    thread.join(10)


def test_the_command_listens_tells_and_ends_when_told_to(mailbox: Mailbox) -> None:
    port = free_port()
    words = ["lookout", mailbox.route, "--listen", f"127.0.0.1:{port}", "--after", "0.01", "--name", "North house"]
    process = subprocess.Popen([sys.executable, "-m", "service", *words], env=os.environ, stderr=subprocess.PIPE)
    wait_until(lambda: mailbox.subjects == ["Nothing is heard of North house"])
    assert httpx.post(f"http://127.0.0.1:{port}/beat/here").status_code == 204
    wait_until(lambda: len(mailbox.mails) == 2)
    process.terminate()
    _, said = process.communicate(timeout=20)
    assert process.returncode == 0
    assert f"Beats come to http://127.0.0.1:{port}/beat/here" in said.decode()
    assert "keeper@example.org" not in said.decode()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["lookout"], "no route was given"),
        (["lookout", "nonsense://s3cret-path"], "is not known, or lacks a part"),
        (["lookout", "json://127.0.0.1/x", "--listen", "nowhere"], "expected a free host:port"),
        (["contact", "test", "Nobody"], "there is no contact 'Nobody'"),
    ],
)
def test_what_cannot_be_is_said_in_a_sentence(words: list[str], said: str, tmp_path: Path) -> None:
    result = CliRunner().invoke(app, words, env={"WARDIAN_DATA": str(tmp_path)})
    assert said in str(result.exception)
    assert "s3cret-path" not in str(result.exception)


def test_a_beat_is_held_back_while_something_that_matters_is_not_well(hook: HookServer) -> None:
    well = [False]
    heartbeat = Heartbeat(f"{hook.url}/s3cret-path", lambda: well[0])
    heartbeat()
    assert (hook.posts, heartbeat.ok, heartbeat.is_held_back) == ([], False, True)
    well[0] = True
    heartbeat()
    assert (len(hook.posts), heartbeat.said, heartbeat.is_held_back) == (1, "answered", False)
    hook.status = 500
    heartbeat()
    assert heartbeat.said == "heartbeat: 127.0.0.1 said 500; check WARDIAN_HEARTBEAT"
    with httpx.Client() as client, pytest.raises(HeartbeatUnanswered) as unanswered:
        beat(client, httpx.URL(f"http://127.0.0.1:{free_port()}/s3cret-path"))
    assert "s3cret-path" not in str(unanswered.value)


def test_a_room_whose_readings_stay_away_is_not_well(store: Store) -> None:
    now = [NOON_MS]
    telling = Telling(store, "", lambda: now[0], dict, lambda: None)
    assert telling.readings_are_fresh()
    with store.write() as session:
        a_site(session)
        (channel,) = a_probe(session, "spot", enclosure=an_enclosure(session))
    assert not telling.readings_are_fresh()
    with store.write() as session:
        add_readings(session, [(channel, NOON_MS, 33.0, 1)])
    assert telling.readings_are_fresh()
    now[0] = to_ms(NOON + timedelta(minutes=16))
    assert not telling.readings_are_fresh()
    now[0] = to_ms(NOON - timedelta(hours=3))  # the clock was set back: nobody was heard since
    assert not telling.readings_are_fresh()
