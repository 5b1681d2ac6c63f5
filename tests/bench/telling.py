"""From a probe's message to the mail in the mailbox and the post at the web hook, while the room goes on speaking."""

import random
import smtplib
import time
from email.message import EmailMessage
from pathlib import Path

import httpx
import numpy as np
from sqlmodel import select

from sensors.simulator import Probe, Scene
from service.main import now_ms
from service.model import Contact, Enclosure, Room
from service.store.engine import open_store
from service.store.readings import next_number
from tests.bench.alarm import _basking, _heat
from tests.bench.alarm_bare import HOT
from tests.bench.brokers import mosquitto
from tests.bench.figures import BenchError, Figure, Pairs, Subject, Target, Tell
from tests.bench.publishing import RawPublisher, message_of, packets_of, publish_steadily
from tests.bench.rooms import breeding_room, scratch
from tests.bench.serving import serving
from tests.bench.workers import Worker
from tests.notify.receivers import HookServer, Mailbox

_ALARMS = 40
"""So many are raised in a run, one after the other."""
_MESSAGES_A_SECOND = 100.0
_STEP_MS = 30_000
_SEEN_S = 3.0
_MOST_MS = 2_500.0
_LONGEST_S = 15.0
ABOUT = """\
A room of 200 enclosures whose probes publish 100 messages a second through Mosquitto; each enclosure is a room of its
own, so that nothing is bundled. 40 basking spots become too hot, one after the other; their messages carry device
times, so that the on-delay of 60 s lies in the past. Counted from writing the last message to the socket until a real
SMTP server (`aiosmtpd`) has taken the mail, and a web server the post. Half a second is by intent: what happens within
it is one message. The *bare limit* is one mail by `smtplib` and one post by `httpx` to the same receivers."""


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return the 99th percentile for mail and for web hooks."""
    scene = breeding_room(clocks=True)
    runs = []
    for pair in range(pairs):
        tell(f"pair {pair + 1} of {pairs}")
        runs.append(_run(scene))
    target = Target(f"p99 under {_MOST_MS:,.0f} ms", lambda pairs: max(pairs.ours) < _MOST_MS)
    figures = []
    for way, name in enumerate(("mail", "web hook")):
        took = Pairs(*(tuple(float(np.percentile(run[side][way], 99)) for run in runs) for side in (0, 1)))
        middle = np.median([np.median(run[0][way]) for run in runs])
        note = f"{_ALARMS} alarms a run, the median {middle:.0f} ms"
        figures.append(Figure(f"Publish to {name} received, p99", "ms", took, target, note, digits=0))
    return figures


SUBJECT = Subject("telling", ABOUT, measure, pairs=3)
_Times = tuple[np.ndarray, np.ndarray]


def _run(scene: Scene) -> tuple[_Times, _Times]:
    """Return how long mails and posts took, ours and bare. [ms]."""
    with (
        scratch() as folder,
        mosquitto(folder) as broker,
        Mailbox() as mailbox,
        HookServer() as hook,
        serving(folder, scene, broker) as served,
    ):
        _furnish(served.database, mailbox, hook)
        publisher = RawPublisher(broker)
        spots, begin_ms = _basking(scene)[:_ALARMS], now_ms() - 4 * 60_000
        _heat(publisher, spots, begin_ms)
        with Worker(publish_steadily, broker, scene, _MESSAGES_A_SECOND) as steady:
            time.sleep(_SEEN_S)
            took = [_raise(publisher, spot, begin_ms + 3 * _STEP_MS, mailbox, hook) for spot in spots]
            steady.tell("stop")
            steady.hear()
        publisher.close()
        bare = [(_bare_mail(mailbox), _bare_post(hook)) for _ in spots]
    ours_mail, ours_post = np.array(took).T * 1000
    bare_mail, bare_post = np.array(bare).T * 1000
    return (ours_mail, ours_post), (bare_mail, bare_post)


def _furnish(database: Path, mailbox: Mailbox, hook: HookServer) -> None:
    """Give each enclosure a room of its own, and the site a contact for each way."""
    store = open_store(f"sqlite:///{database}")
    with store.write() as session:
        for enclosure in session.exec(select(Enclosure)).all():
            room = Room(key=f"room-of-{enclosure.key}", name=f"Room of {enclosure.name}")
            session.add(room)
            session.flush()
            enclosure.room_id = room.id or 0
        session.add_all([Contact(name="Ana", route=mailbox.route), Contact(name="Bo", route=hook.route)])
        next_number(session, "facts")
    store.close()
    time.sleep(_SEEN_S)


def _raise(publisher: RawPublisher, spot: Probe, at_ms: int, mailbox: Mailbox, hook: HookServer) -> tuple[float, float]:
    """Send the message that completes the on-delay, and wait for mail and post. [s]."""
    chance = random.Random(at_ms + len(mailbox.mails))  # noqa: S311 - moments and noise, no secret
    time.sleep(chance.uniform(0.05, 0.25))
    mails, posts = len(mailbox.mails), len(hook.taken)
    packets = packets_of([message_of(spot, at_ms, chance, surface_temperature=HOT + 5)])
    began = time.perf_counter()
    publisher.send(packets)
    deadline = began + _LONGEST_S
    while len(mailbox.mails) <= mails or len(hook.taken) <= posts:
        if time.perf_counter() > deadline:
            raise BenchError(f"nobody was told of {spot.channels[0].enclosure} within {_LONGEST_S:.0f} s")
        time.sleep(0.002)
    return mailbox.taken_at[mails] - began, hook.taken[posts].at - began


def _bare_mail(mailbox: Mailbox) -> float:
    mail = EmailMessage()
    mail["Subject"], mail["From"], mail["To"] = "Bare", "wardian@example.org", "keeper@example.org"
    mail.set_content("Bare.")
    began = time.perf_counter()
    with smtplib.SMTP("127.0.0.1", mailbox.port, "bench", timeout=10) as server:
        server.send_message(mail)
        taken = time.perf_counter()
    return taken - began


def _bare_post(hook: HookServer) -> float:
    began = time.perf_counter()
    httpx.post(f"{hook.url}/hook", json={"title": "Bare"})
    return time.perf_counter() - began
