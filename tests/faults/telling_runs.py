"""Telling under faults, run many times with seeds: what was lost, and what was told more than once.

``python -m tests.faults.telling_table`` prints the counts that docs/alarms.md holds. Receivers are real ones on
loopback, workers are processes, and the waiting times are those of the service divided by about thirty.
"""

import contextlib
import logging
import multiprocessing
import os
import random
import shutil
import signal
import ssl
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path
from typing import Any, Final

import structlog

from service.alarms.record import Deed, Occurrence, record_raised, record_returned
from service.main_telling import wordings
from service.model import Alarm, Contact, from_ms
from service.notify.pace import Pace
from service.notify.teller import Teller
from service.store.deliveries import first_due
from service.store.engine import Store, open_store
from service.store.telling import first_look
from tests.empty_store import sqlite_store
from tests.notify.receivers import HookServer, Mailbox, deaf_port, untrusted_tls
from tests.notify.telling_room import TellingRoom

PACE: Final = replace(
    Pace(),
    settle=timedelta(seconds=0.03), bundle=timedelta(seconds=0.2), attempt=timedelta(seconds=1),
    lease=timedelta(seconds=2.5), first_retry=timedelta(seconds=0.15), longest_retry=timedelta(seconds=0.5),
    poll=0.02,
)  # fmt: skip
ENCLOSURES: Final = 4
"""No more than a message names, so that what was told can be read in it."""
_ENOUGH_S: Final = 90.0
_STEP_MS: Final = 3_600_000
_LANES: Final = 6
_FORKING = multiprocessing.get_context("forkserver")


@dataclass
class Outcome:
    """What one run came to.

    `twice` counts changes told by two different messages, `resent` messages that came again under the same name.
    """

    changes: int = 0
    lost: int = 0
    twice: int = 0
    resent: int = 0
    kills: int = 0


@dataclass
class Run:
    """One run: a store with contacts, receivers, workers, a clock, and what happened to alarms."""

    store: Store
    url: str
    chance: random.Random
    mailbox: Mailbox
    hook: HookServer
    secure: HookServer
    offset: Any = field(default_factory=lambda: _FORKING.Value("q", 0))
    workers: list[Any] = field(default_factory=list)
    outcome: Outcome = field(default_factory=Outcome)
    raised: dict[int, int] = field(default_factory=dict)
    returned: set[int] = field(default_factory=set)
    route: str = "mail"

    def now_ms(self) -> int:
        return time.time_ns() // 1_000_000 + self.offset.value

    def contact(self, url: str) -> None:
        with self.store.write() as session:
            session.add(Contact(name="Ana", route=url, priority="low"))

    def start(self) -> None:
        worker = _FORKING.Process(target=_work, args=(self.url, self.offset), daemon=True)
        worker.start()
        self.workers.append(worker)

    def kill(self) -> None:
        """End a worker as a power cut would."""
        for worker in self.workers:
            if worker.is_alive():
                os.kill(worker.pid, signal.SIGKILL)
                self.outcome.kills += 1
        self.workers.clear()

    def happen(self) -> None:
        """Raise alarms at moments of the seed; some return."""
        for enclosure in range(1, ENCLOSURES + 1):
            time.sleep(self.chance.uniform(0.0, 0.12))
            at = from_ms(self.now_ms())
            seen = Occurrence(
                "basking-overheat", f"rack-a-{enclosure}/basking", "high", at, at, enclosure_id=enclosure, value=41.0
            )
            with self.store.write() as session:
                alarm = record_raised(session, seen, at)
                assert alarm is not None
                self.raised[enclosure] = alarm.id or 0
            if self.chance.random() < 0.3:
                self.returns(self.chance.choice(sorted(self.raised)))

    def returns(self, enclosure: int) -> None:
        at = from_ms(self.now_ms())
        with self.store.write() as session:
            alarm = session.get(Alarm, self.raised[enclosure])
            assert alarm is not None
            if record_returned(session, alarm, Deed("the watch", max(at, alarm.raised_at), at), None):
                self.returned.add(enclosure)

    def settle(self) -> None:
        """Wait until nothing waits to be told."""
        ends = time.monotonic() + _ENOUGH_S
        while time.monotonic() < ends:
            with self.store.read() as session:
                if first_look(session) is None and first_due(session) is None:
                    return
            time.sleep(0.03)

    def stop(self) -> None:
        for worker in self.workers:
            worker.terminate()
            worker.join(5)

    def count(self) -> Outcome:
        """Compare what happened with what came in at the receivers."""
        told = self._in_mails() + self._in_posts()
        names = {event: {key for *what, key in told if tuple(what) == event} for event in {one[:2] for one in told}}
        self.outcome.changes = len(self.raised) + len(self.returned)
        for enclosure in self.raised:
            self.outcome.lost += (enclosure, "raised") not in names
        for enclosure in self.returned:
            self.outcome.lost += not {(enclosure, "returned"), (enclosure, "both")} & names.keys()
        self.outcome.twice = sum(len(keys) - 1 for (_, event), keys in names.items() if event != "both")
        mails = Counter(str(mail["Message-ID"]) for mail in self.mailbox.mails)
        posts = Counter(post.headers["idempotency-key"] for post in [*self.hook.taken, *self.secure.taken])
        self.outcome.resent = sum(count - 1 for count in (*mails.values(), *posts.values()))
        return self.outcome

    def _in_mails(self) -> list[tuple[int, str, str]]:
        """Return what mails told: each line that names an enclosure, with the message's name."""
        found: list[tuple[int, str, str]] = []
        for mail in self.mailbox.mails:
            key = str(mail["Message-ID"])
            for line in mail.get_content().splitlines():
                if "Frogs " not in line:
                    continue
                enclosure = int(line.split("Frogs ", 1)[1].split(":")[0].split(",")[0].split()[0])
                over = line.startswith("Over:") or "back to normal" in line
                found.append((enclosure, "returned" if over else "raised", key))
                if "It returned to normal" in line or ", over since" in line:
                    found.append((enclosure, "both", key))
        return found

    def _in_posts(self) -> list[tuple[int, str, str]]:
        found: list[tuple[int, str, str]] = []
        for post in [*self.hook.taken, *self.secure.taken]:
            key = post.headers["idempotency-key"]
            for one in post.body["alarms"]:
                enclosure = int(one["place"].removeprefix("Frogs "))
                found.append((enclosure, one["event"], key))
                if one["event"] == "raised" and one["returned"]:
                    found.append((enclosure, "both", key))
        return found


def _work(url: str, offset: Any) -> None:
    """Tell, as a process of its own, until told to stop."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    store = open_store(url)
    teller = Teller(store, lambda: time.time_ns() // 1_000_000 + offset.value, wordings(), "", PACE)
    teller.run(stop)
    store.close()


# The faults: each sets the stage, lets alarms happen, and mends what it broke.


def _bad_mail(run: Run, manners: str) -> None:
    run.contact(run.mailbox.route)
    run.mailbox.manners = manners  # type: ignore[assignment]
    run.start()
    run.happen()
    time.sleep(run.chance.uniform(0.0, 1.0))
    run.mailbox.manners = "well"


def mail_hangs(run: Run) -> None:
    _bad_mail(run, "hang")


def mail_refuses(run: Run) -> None:
    _bad_mail(run, run.chance.choice(["refuse", "busy"]))


def mail_drops_half_way(run: Run) -> None:
    _bad_mail(run, "drop")


def _bad_hook(run: Run, answers: list[int], **headers: str) -> None:
    run.contact(run.hook.route)
    run.hook.answers, run.hook.headers = answers, headers
    run.start()
    run.happen()


def hook_says_500(run: Run) -> None:
    _bad_hook(run, [500] * run.chance.randint(1, 5))


def hook_says_429(run: Run) -> None:
    _bad_hook(run, [429] * run.chance.randint(1, 2), **{"Retry-After": "1"})


def hook_is_slow(run: Run) -> None:
    run.hook.delay_s = 0.3
    _bad_hook(run, [])


def hook_ends_without_a_word(run: Run) -> None:
    _bad_hook(run, [0] * run.chance.randint(1, 4))


def certificate_is_not_trusted(run: Run) -> None:
    run.contact(run.secure.route)
    run.start()
    run.happen()
    with run.store.write() as session:
        contact = session.get(Contact, 1)
        assert contact is not None
        contact.route = f"{run.secure.route}?verify=no"


def nobody_speaks(run: Run) -> None:
    listening, port = deaf_port()
    run.contact(f"json://127.0.0.1:{port}/hook")
    run.start()
    run.happen()
    listening.close()
    with run.store.write() as session:
        contact = session.get(Contact, 1)
        assert contact is not None
        contact.route = run.hook.route


def killed_before_it_is_recorded(run: Run) -> None:
    """Kill the worker at the moment at which the other end has taken a message, several times."""
    kills = run.chance.randint(1, 3)
    by_mail = run.chance.random() < 0.5
    run.contact(run.mailbox.route if by_mail else run.hook.route)

    def taken() -> None:
        if run.outcome.kills < kills:
            time.sleep(run.chance.choice([0.0, 0.0, 0.001, 0.004]))
            run.kill()
            run.start()

    run.mailbox.heard = run.hook.heard = taken
    run.start()
    run.happen()


def clock_is_set(run: Run) -> None:
    run.contact(run.chance.choice([run.mailbox.route, run.hook.route]))
    run.hook.answers = [500] * run.chance.randint(0, 2)
    run.start()
    step = run.chance.choice([-_STEP_MS, _STEP_MS])
    timer = threading.Timer(run.chance.uniform(0.0, 0.8), lambda: setattr(run.offset, "value", step))
    timer.start()
    run.happen()
    timer.join()


def two_workers(run: Run) -> None:
    run.contact(run.chance.choice([run.mailbox.route, run.hook.route]))
    run.hook.delay_s = run.chance.choice([0.0, 0.05])
    run.start()
    run.start()
    run.happen()


FAULTS: Final[dict[str, Callable[[Run], None]]] = {
    "SMTP hangs": mail_hangs,
    "SMTP refuses (550, 451)": mail_refuses,
    "SMTP drops half way": mail_drops_half_way,
    "HTTP 500": hook_says_500,
    "HTTP 429 with Retry-After": hook_says_429,
    "HTTP ends without an answer": hook_ends_without_a_word,
    "TLS: certificate not trusted": certificate_is_not_trusted,
    "nothing speaks at the other end": nobody_speaks,
    "answers come after 10 s": hook_is_slow,
    "killed between sending and recording": killed_before_it_is_recorded,
    "clock set by an hour": clock_is_set,
    "two workers, one database": two_workers,
}


def template(folder: Path) -> Path:
    """Make a database that each run begins with."""
    path = folder / "template.db"
    store = sqlite_store(path)
    TellingRoom(store).furnish(enclosures=ENCLOSURES, rooms=("front", "back"))
    store.close()
    return path


def one(seed: int, name: str, made: Path, tls: ssl.SSLContext, urls: "Urls") -> Outcome:
    """Do one run with one fault."""
    chance = random.Random(seed)  # noqa: S311 - moments, no secret
    with urls.database(made, seed) as url, Mailbox() as mailbox, HookServer() as hook, HookServer(tls=tls) as secure:
        store = open_store(url)
        run = Run(store, url, chance, mailbox, hook, secure)
        try:
            FAULTS[name](run)
            run.settle()
            time.sleep(0.1)
            return run.count()
        finally:
            mailbox.heard = hook.heard = None
            run.stop()
            store.close()


class Urls:
    """Makes a database for each run."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    @contextlib.contextmanager
    def database(self, made: Path, seed: int) -> Iterator[str]:
        path = self._folder / f"run-{seed}.db"
        shutil.copy(made, path)
        yield f"sqlite:///{path}"
        for left in self._folder.glob(f"run-{seed}.db*"):
            left.unlink()


def runs(count: int, folder: Path, openssl: str, first_seed: int = 0) -> dict[str, list[Outcome]]:
    """Do so many runs, the faults in turn, several at a time; return what each fault came to."""
    _FORKING.set_forkserver_preload(["tests.faults.telling_runs"])
    made, tls, urls, names = template(folder), untrusted_tls(folder, openssl), Urls(folder), list(FAULTS)
    jobs = [(seed, names[seed % len(names)]) for seed in range(first_seed, first_seed + count)]
    found: dict[str, list[Outcome]] = {name: [] for name in names}
    with ThreadPoolExecutor(_LANES) as pool:
        for (_, name), outcome in zip(jobs, pool.map(lambda job: one(*job, made, tls, urls), jobs), strict=True):
            found[name].append(outcome)
    return found
