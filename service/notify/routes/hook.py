"""Web hooks: a JSON object is posted; the answer's status and its Retry-After are known."""

import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any, Final, Self

import httpx
import orjson

from service.errors import NotDelivered
from service.notify.messages import Message, Told

_CONNECT_S: Final = 5.0
_TYPES: Final = {"high": "failure", "medium": "warning", "low": "info", "well": "success"}
_WORDS: Final = {
    400: "bad request", 401: "not signed in", 403: "forbidden", 404: "no such address", 408: "too slow", 410: "gone",
    413: "too large", 429: "too many messages", 500: "its own error", 502: "bad gateway", 503: "not available now",
    504: "too slow",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class HookRoute:
    """An address that takes JSON.

    Attributes
    ----------
    url : str
        With its query; a secret.
    method : str
    host : str
    headers, extras : mapping of str to str
        Sent along; `extras` are fields of the object.
    auth : tuple of str or None
        User and password.
    verifies : bool
        Whether the certificate is checked.
    """

    url: str = field(repr=False)
    method: str
    host: str
    headers: Mapping[str, str] = field(default_factory=dict, repr=False)
    extras: Mapping[str, str] = field(default_factory=dict, repr=False)
    auth: tuple[str, str] | None = field(default=None, repr=False)
    verifies: bool = True

    @classmethod
    def of(cls, plugin: Any) -> Self:  # noqa: ANN401 - the library's class for hooks
        """Take what a hook's URL says from the library that has read it."""
        port = f":{plugin.port}" if plugin.port else ""
        url = httpx.URL(f"http{'s' if plugin.secure else ''}://{plugin.host}{port}{plugin.fullpath}")
        return cls(
            url=str(url.copy_merge_params(plugin.params)),
            method=plugin.method,
            host=plugin.host,
            headers=dict(plugin.headers),
            extras=dict(plugin.payload_extras),
            auth=(plugin.user, plugin.password or "") if plugin.user else None,
            verifies=plugin.verify_certificate,
        )

    @property
    def about(self) -> str:
        """What it is; the path is usually a secret."""
        return f"web hook at {self.host}"

    def send(self, message: Message, seconds: float) -> None:
        """Post a message; any answer of 2xx takes it."""
        timeout = httpx.Timeout(seconds, connect=min(_CONNECT_S, seconds))
        headers = {"User-Agent": "Wardian", "Content-Type": "application/json"}
        if message.key:
            headers["Idempotency-Key"] = message.key
        try:
            with (
                httpx.Client(timeout=timeout, verify=self.verifies, auth=self.auth, trust_env=False) as client,
                # The answer's body is of no interest, and could come drop by drop.
                client.stream(
                    self.method,
                    self.url,
                    content=payload_of(message, self.extras),
                    headers=headers | dict(self.headers),
                ) as answer,
            ):
                self._judge(answer)
        except httpx.TimeoutException as exc:
            raise NotDelivered(f"{self.about}: no answer within {seconds:g} s") from exc
        except (httpx.TransportError, httpx.InvalidURL) as exc:
            raise NotDelivered(f"{self.about}: {_why(exc)}") from exc

    def _judge(self, answer: httpx.Response) -> None:
        if answer.is_success:
            return
        word = _WORDS.get(answer.status_code, "it leads elsewhere" if answer.is_redirect else "")
        said = f"{self.about} said {answer.status_code}{f' ({word})' if word else ''}"
        raise NotDelivered(said, retry_after(answer.headers.get("retry-after"), datetime.now(UTC)))


def retry_after(header: str | None, now: datetime) -> float | None:
    """Return how long a receiver asks to be left alone, as seconds or a date say it; None where it says nothing. [s].

    References
    ----------
    .. [1] RFC 9110, section 10.2.3.
    """
    if header is None:
        return None
    text = header.strip()
    if text.isascii() and text.isdigit():
        return float(text[:9])
    try:
        at = parsedate_to_datetime(text)
    except ValueError:
        return None
    return max(0.0, (at.replace(tzinfo=at.tzinfo or UTC) - now).total_seconds())


def payload_of(message: Message, extras: Mapping[str, str]) -> bytes:
    """Return a message as a hook gets it."""
    told = {
        "version": "1",
        "title": message.title,
        "message": message.body,
        "type": _TYPES.get(message.tone, "info"),
        "link": message.link,
        "delivery": message.key,
        "alarms": [_as_data(one) for one in message.told],
    }
    return orjson.dumps(told | dict(extras))


def _as_data(one: Told) -> dict[str, object]:
    return {
        "event": one.kind, "alarm": one.alarm_id, "condition": one.condition, "priority": one.priority,
        "place": one.place, "began": one.began, "returned": one.returned, "value": one.value, "peak": one.peak,
        "limit": one.limit, "unit": one.unit,
    }  # fmt: skip


def _why(exc: httpx.TransportError | httpx.InvalidURL) -> str:
    """Return in a few words why nothing was answered; the library's own text may hold the address."""
    cause: BaseException | None = exc
    while cause is not None:
        if isinstance(cause, ssl.SSLCertVerificationError):
            return f"its certificate is not trusted ({cause.verify_message})"
        if isinstance(cause, ssl.SSLError):
            return f"no TLS connection ({(cause.reason or 'refused').lower().replace('_', ' ')})"
        if isinstance(cause, OSError) and cause.strerror:
            return f"no connection ({cause.strerror})"
        cause = cause.__cause__ or cause.__context__
    return "the connection ended half way" if isinstance(exc, httpx.TransportError) else "its address cannot be used"
