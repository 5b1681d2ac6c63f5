"""Mail, by the standard library: every answer of the server is known, and nothing lasts longer than it may."""

import contextlib
import smtplib
import socket
import ssl
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import formatdate
from typing import Any, Final, Literal, Self

from service.errors import NotDelivered
from service.notify.messages import Message

_TONES: Final = {"high": "1", "medium": "3", "low": "5", "well": "5"}
_LEAST_S: Final = 0.05


@dataclass(frozen=True, slots=True)
class MailRoute:
    """A mail server, and who gets the mail.

    Attributes
    ----------
    host : str
    port : int
    mode : str
        "insecure", "starttls" or "ssl".
    sender : str
    to : tuple of str
    user, password : str
        Empty where the server asks for none.
    verifies : bool
        Whether the server's certificate is checked.
    """

    host: str
    port: int
    mode: Literal["insecure", "starttls", "ssl"]
    sender: str
    to: tuple[str, ...]
    user: str = ""
    password: str = field(default="", repr=False)
    verifies: bool = True

    @classmethod
    def of(cls, plugin: Any) -> Self:  # noqa: ANN401 - the library's class for mail
        """Take what a mail URL says from the library that has read it."""
        others = sorted({*plugin.cc, *plugin.bcc})
        port = plugin.port or {"starttls": 587, "ssl": 465}.get(plugin.secure_mode, 25)
        return cls(
            host=plugin.smtp_host,
            port=port,
            mode=plugin.secure_mode,
            sender=plugin.from_addr[1],
            to=(*(address for _name, address in plugin.targets), *others),
            user=plugin.user if plugin.password else "",
            password=plugin.password or "",
            verifies=plugin.verify_certificate,
        )

    @property
    def about(self) -> str:
        """What it is."""
        return f"mail by {self.host}"

    def send(self, message: Message, seconds: float) -> None:
        """Send a mail; it is sent once the server has taken it, whatever happens to the connection after that."""
        ends = time.monotonic() + seconds
        try:
            with self._connected(ends) as server:
                _hurry(server, ends)
                self._introduce(server, ends)
                _hurry(server, ends)
                server.send_message(self._mail(message), self.sender, list(self.to))
        except ssl.SSLError as exc:
            reason = (exc.reason or "refused").lower().replace("_", " ")
            raise NotDelivered(f"{self.about}: no TLS connection ({reason})") from exc
        except (smtplib.SMTPException, OSError) as exc:
            why = f"no answer within {seconds:g} s" if _is_late(exc, ends) else _said(exc)
            raise NotDelivered(f"{self.about}: {why}") from exc

    @contextlib.contextmanager
    def _connected(self, ends: float) -> Iterator[smtplib.SMTP]:
        """Give a connection that is cut when its time is over, however slowly the server goes on speaking."""
        left = max(_LEAST_S, ends - time.monotonic())
        name = socket.gethostname()  # the library would ask the name server for more, and wait
        if self.mode == "ssl":
            server: smtplib.SMTP = smtplib.SMTP_SSL(local_hostname=name, timeout=left, context=self._tls())
        else:
            server = smtplib.SMTP(local_hostname=name, timeout=left)
        cut = threading.Timer(left, _cut, (server,))
        cut.daemon = True
        cut.start()
        try:
            server.connect(self.host, self.port)
            yield server
            with contextlib.suppress(smtplib.SMTPException, OSError):
                server.quit()
        finally:
            cut.cancel()
            server.close()

    def _introduce(self, server: smtplib.SMTP, ends: float) -> None:
        if self.mode == "starttls":
            server.starttls(context=self._tls())
            _hurry(server, ends)
        if self.user:
            server.login(self.user, self.password)

    def _tls(self) -> ssl.SSLContext:
        context = ssl.create_default_context()
        if not self.verifies:
            context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
        return context

    def _mail(self, message: Message) -> EmailMessage:
        mail = EmailMessage()
        mail["Subject"] = " ".join(message.title.split())
        mail["From"] = Address("Wardian", addr_spec=self.sender)
        mail["To"] = ", ".join(self.to)
        mail["Date"] = formatdate(localtime=False)
        if message.key:
            # A repetition has the name of the first: whoever has both shows one.
            mail["Message-ID"] = f"<{message.key}@wardian.invalid>"
        mail["Auto-Submitted"] = "auto-generated"
        mail["X-Priority"] = _TONES.get(message.tone, "3")
        mail.set_content(message.body)
        return mail


def _hurry(server: smtplib.SMTP, ends: float) -> None:
    """Let the next steps take no longer than what is left."""
    if server.sock is not None:
        server.sock.settimeout(max(_LEAST_S, ends - time.monotonic()))


def _cut(server: smtplib.SMTP) -> None:
    connection = server.sock
    if connection is not None:
        with contextlib.suppress(OSError):
            connection.shutdown(socket.SHUT_RDWR)


def _is_late(exc: smtplib.SMTPException | OSError, ends: float) -> bool:
    """Whether it failed for want of time: the library tells a slow server as one that hung up."""
    hung_up = isinstance(exc, smtplib.SMTPServerDisconnected)
    slow = isinstance(exc, TimeoutError) or (hung_up and "timed out" in str(exc))
    return slow or (time.monotonic() >= ends - _LEAST_S and (hung_up or not isinstance(exc, smtplib.SMTPException)))


def _said(exc: smtplib.SMTPException | OSError) -> str:
    """Return what the server said, in a line."""
    if not isinstance(exc, smtplib.SMTPException):
        return f"no connection ({exc.strerror or exc})"
    if isinstance(exc, smtplib.SMTPRecipientsRefused):
        code, text = next(iter(exc.recipients.values()))
        return f"the address was refused ({code} {_text(text)})"
    if isinstance(exc, smtplib.SMTPAuthenticationError):
        return f"user or password was refused ({exc.smtp_code})"
    if isinstance(exc, smtplib.SMTPResponseException) and exc.smtp_code > 0:
        return f"the server said {exc.smtp_code} {_text(exc.smtp_error)}"
    if isinstance(exc, smtplib.SMTPServerDisconnected | smtplib.SMTPResponseException):
        return "the server ended the connection half way"
    return f"the server cannot do it ({exc})"


def _text(said: bytes | str) -> str:
    text = said.decode("utf-8", "replace") if isinstance(said, bytes) else said
    return " ".join(text.split())[:120]
