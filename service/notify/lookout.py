"""A second machine's own small watcher: it tells by its own routes when nothing is heard of the first any more.

It shares nothing with what it watches: no database, no broker, no room file. It keeps its state in memory, and
starts as if it had just heard something: after a restart it waits once as long as it always does, then tells.
"""

import hmac
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Final

import httpx
import structlog

from service.notify.courier import Courier
from service.notify.messages import Message
from service.notify.pace import Pace, wait_after

log = structlog.get_logger("lookout")

PATH: Final = "/beat/"
POLL_S: Final = 30.0
"""How often an address is asked. [s]"""
AGAIN_S: Final = 3600.0
"""How often it is told again while nothing is heard. [s]"""
_LOOK_S: Final = 0.2
_TIMEOUT_S: Final = 10.0
_SLOW_S: Final = 5.0
_LONGEST_BODY: Final = 65_536


@dataclass(slots=True)
class _Way:
    """A route with the message that waits for it: only the newest, since an older one would be untrue by now."""

    url: str
    waiting: Message | None = None
    next_try: float = 0.0
    failures: int = 0


@dataclass(slots=True)
class Lookout:
    """Notes beats, and tells when they stay away and when they come again.

    Attributes
    ----------
    routes : sequence of str
        By which it tells; each a URL as in the room file.
    name : str
        What is watched, as the messages say it.
    after_s : float
        So long nothing may be heard. [s]
    pace : Pace
    """

    routes: Sequence[str]
    name: str
    after_s: float
    pace: Pace = field(default_factory=Pace)
    is_missing: bool = False
    _heard: float = field(default_factory=time.monotonic)
    _told: float = 0.0
    _ways: list[_Way] = field(init=False)
    _courier: Courier = field(init=False)
    _ended: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        """Prepare the routes."""
        self._ways = [_Way(url) for url in self.routes]
        self._courier = Courier(self.pace.attempt.total_seconds(), self._ended)

    def heard(self) -> None:
        """Take note of a beat; from any thread."""
        self._heard = time.monotonic()

    def look(self) -> None:
        """Tell what has to be told, and go on with what has not got through."""
        now = time.monotonic()
        silent = now - self._heard
        if silent > self.after_s and (not self.is_missing or now - self._told >= AGAIN_S):
            self.is_missing, self._told = True, now
            log.warning("nothing_heard", of=self.name, seconds=round(silent))
            self._tell(_missing(self.name, silent))
        elif silent <= self.after_s and self.is_missing:
            self.is_missing = False
            log.info("heard_again", of=self.name)
            self._tell(_again(self.name))
        self._note_outcomes(now)
        self._send(now)

    def _tell(self, message: Message) -> None:
        for way in self._ways:
            way.waiting, way.next_try, way.failures = message, 0.0, 0

    def _send(self, now: float) -> None:
        busy = set(self._courier.busy)
        for number, way in enumerate(self._ways):
            if way.waiting is not None and number not in busy and now >= way.next_try:
                self._courier.send(number, number, way.url, way.waiting)
                way.next_try = float("inf")

    def _note_outcomes(self, now: float) -> None:
        ended = [attempt for attempt in self._courier.outcomes() if attempt.is_done]
        self._courier.noted(ended, {attempt.delivery_id for attempt in ended})
        for attempt in ended:
            way = self._ways[attempt.delivery_id]
            if attempt.failed is None and way.next_try == float("inf"):
                way.waiting = None
                log.info("told", route=attempt.delivery_id + 1)
            elif attempt.failed is not None:
                way.failures += 1
                asked = attempt.failed.retry_after_s
                wait = wait_after(self.pace, way.failures, None if asked is None else timedelta(seconds=asked), 0.5)
                way.next_try = now + wait.total_seconds()
                log.warning("not_told", route=attempt.delivery_id + 1, reason=str(attempt.failed))


def _missing(name: str, silent_s: float) -> Message:
    since = (datetime.now(UTC) - timedelta(seconds=silent_s)).astimezone()
    return Message(
        f"Nothing is heard of {name}",
        f"No sign of life from {name} since {since:%H:%M} ({since.tzname()}). Its machine, power or network is gone, "
        "or something that matters there is not well; no alarm may reach you from there. Go and look at the animals. "
        "A heat source needs its own thermostat and an independent high-limit cut-out.",
        "high",
        key=f"wardian-lookout-{since:%Y%m%d%H%M%S}",
    )


def _again(name: str) -> Message:
    at = datetime.now(UTC).astimezone()
    said = f"{name} is heard again since {at:%H:%M} ({at.tzname()}): everything that matters there is well."
    return Message(f"{name} is heard again", said, "well", key=f"wardian-lookout-{at:%Y%m%d%H%M%S}")


def beat_server(host: str, port: int, word: str, heard: Callable[[], None]) -> ThreadingHTTPServer:
    """Return a small web server that takes beats at ``/beat/WORD``, and nothing else.

    Raises
    ------
    OSError
        The address cannot be used.
    """

    class Handler(BaseHTTPRequestHandler):
        timeout = _SLOW_S
        server_version, sys_version = "Wardian", ""

        def do_POST(self) -> None:
            length = self.headers.get("Content-Length", "0")
            if length.isdigit() and int(length) <= _LONGEST_BODY:
                self.rfile.read(int(length))
            self._answer()

        def do_GET(self) -> None:
            self._answer()

        def _answer(self) -> None:
            known = hmac.compare_digest(self.path.encode(), f"{PATH}{word}".encode())
            if known:
                heard()
            self.send_response(204 if known else 404)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, format: str, *_: object) -> None:  # noqa: A002 - named by the library
            """Say nothing: the path is a secret."""

    class Server(ThreadingHTTPServer):
        daemon_threads = True

    return Server((host, port), Handler)


def poll(url: str, heard: Callable[[], None], stop: threading.Event, every_s: float = POLL_S) -> None:
    """Ask an address now and then; an answer of 2xx is a beat."""
    while not stop.wait(every_s):
        try:
            with httpx.Client(timeout=_TIMEOUT_S, trust_env=False) as client:
                if client.get(url).is_success:
                    heard()
        except (httpx.HTTPError, httpx.InvalidURL):
            continue


def keep_looking(lookout: Lookout, stop: threading.Event) -> None:
    """Look until told to stop."""
    while not stop.wait(_LOOK_S):
        lookout.look()
