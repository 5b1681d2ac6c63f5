"""Real receivers on loopback: a mail server and a web server, each of which can misbehave as real ones do."""

import asyncio
import json
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from pathlib import Path
from typing import Any, Literal, Self

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from service.ingest.embedded_broker import free_port

Manners = Literal["well", "refuse", "busy", "hang", "drop", "drop after"]


@dataclass
class Mailbox:
    """A mail server that keeps what it takes."""

    port: int = field(default_factory=free_port)
    manners: Manners = "well"
    mails: list[EmailMessage] = field(default_factory=list)
    taken_at: list[float] = field(default_factory=list)
    asked: int = 0
    rude_goodbye: bool = False
    heard: Callable[[], None] | None = None
    _controller: Controller | None = None

    @property
    def route(self) -> str:
        return f"mailto://127.0.0.1:{self.port}/?to=keeper@example.org&from=wardian@example.org"

    def __enter__(self) -> Self:
        self._controller = Controller(self, "127.0.0.1", self.port, decode_data=False)
        self._controller.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._controller is not None:
            self._controller.stop(no_assert=True)

    async def handle_MAIL(self, _server: SMTP, _session: Session, envelope: Envelope, address: str, _: object) -> str:  # noqa: N802 - named by the library
        self.asked += 1
        if self.manners == "refuse":
            return "550 not you"
        if self.manners == "busy":
            return "451 come again later"
        if self.manners == "hang":
            await asyncio.sleep(30)
        envelope.mail_from = address
        return "250 OK"

    async def handle_DATA(self, server: SMTP, _session: Session, envelope: Envelope) -> str:  # noqa: N802 - as above
        if self.manners == "drop":
            server.transport.abort()
            return "250 never seen"
        content = envelope.content
        assert isinstance(content, bytes)
        self.taken_at.append(time.perf_counter())
        self.mails.append(message_from_bytes(content, policy=default))  # type: ignore[arg-type]
        if self.heard is not None:
            self.heard()
        if self.manners == "drop after":
            server.transport.abort()
        return "250 taken"

    async def handle_QUIT(self, server: SMTP, _session: Session, _envelope: Envelope) -> str:  # noqa: N802 - as above
        if self.rude_goodbye:
            server.transport.abort()
        return "221 gone"

    @property
    def subjects(self) -> list[str]:
        return [str(mail["Subject"]) for mail in self.mails]

    def text(self, number: int = -1) -> str:
        return self.mails[number].get_content()


@dataclass
class Post:
    """What came to a web hook."""

    path: str
    headers: dict[str, str]
    body: dict[str, Any]
    at: float


@dataclass
class HookServer:
    """A web server that takes JSON, and answers as it is told.

    `answers` are taken one after the other, then `status`. A status of 0 ends the connection without an answer.
    """

    port: int = field(default_factory=free_port)
    status: int = 200
    headers: dict[str, str] = field(default_factory=dict)
    delay_s: float = 0.0
    answers: list[int] = field(default_factory=list)
    posts: list[Post] = field(default_factory=list)
    taken: list[Post] = field(default_factory=list)
    tls: ssl.SSLContext | None = None
    heard: Callable[[], None] | None = None
    _loop: asyncio.AbstractEventLoop | None = None
    _thread: threading.Thread | None = None
    _stop: asyncio.Event | None = None

    @property
    def route(self) -> str:
        return f"json{'s' if self.tls else ''}://127.0.0.1:{self.port}/hook/s3cret-path"

    @property
    def url(self) -> str:
        return f"http{'s' if self.tls else ''}://127.0.0.1:{self.port}"

    def __enter__(self) -> Self:
        ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve(ready)), daemon=True)
        self._thread.start()
        assert ready.wait(10)
        return self

    def __exit__(self, *_: object) -> None:
        if self._loop is not None and self._stop is not None and self._thread is not None:
            self._loop.call_soon_threadsafe(self._stop.set)
            self._thread.join(10)

    async def _serve(self, ready: threading.Event) -> None:
        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        server = await asyncio.start_server(self._answer, "127.0.0.1", self.port, ssl=self.tls)
        ready.set()
        await self._stop.wait()
        server.close()

    async def _answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await self._take(reader, writer)
        except (OSError, asyncio.IncompleteReadError, asyncio.CancelledError, ValueError):
            pass
        finally:
            writer.close()

    async def _take(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        first, *lines = (await reader.readuntil(b"\r\n\r\n")).decode().split("\r\n")
        headers = {name.lower(): value.strip() for name, _, value in (line.partition(":") for line in lines if line)}
        body = await reader.readexactly(int(headers.get("content-length", "0")))
        post = Post(first.split(" ")[1], headers, json.loads(body or b"{}"), time.perf_counter())
        self.posts.append(post)
        status = self.answers.pop(0) if self.answers else self.status
        if 200 <= status < 300:
            self.taken.append(post)
            if self.heard is not None:
                self.heard()
        if self.delay_s:
            await asyncio.sleep(self.delay_s)
        if status:
            more = "".join(f"{name}: {value}\r\n" for name, value in self.headers.items())
            writer.write(f"HTTP/1.1 {status} X\r\nContent-Length: 0\r\nConnection: close\r\n{more}\r\n".encode())
            await writer.drain()


def deaf_port() -> tuple[socket.socket, int]:
    """Return a socket that takes connections and never says a word, and its port."""
    listening = socket.create_server(("127.0.0.1", 0), backlog=50)
    return listening, listening.getsockname()[1]


def untrusted_tls(folder: Path, openssl: str) -> ssl.SSLContext:
    """Return a server's TLS with a certificate that nobody has signed but itself."""
    key, certificate = folder / "key.pem", folder / "certificate.pem"
    subprocess.run(
        [openssl, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
         "-subj", "/CN=127.0.0.1", "-keyout", key, "-out", certificate],
        check=True, capture_output=True,
    )  # fmt: skip
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    return context
