"""Every other service, by the library that knows them; it says only whether a message went, and logs why not."""

import logging
import threading
from dataclasses import dataclass, field
from typing import Any, Final, Self

from apprise import NotifyType

from service.errors import NotDelivered
from service.notify.messages import Message
from service.notify.routes.route import without

_TYPES: Final = {
    "high": NotifyType.FAILURE, "medium": NotifyType.WARNING, "low": NotifyType.INFO, "well": NotifyType.SUCCESS,
}  # fmt: skip
_LONGEST: Final = 200


@dataclass(frozen=True, slots=True)
class OtherRoute:
    """A service that the library sends to.

    Attributes
    ----------
    plugin : object
        The library's, for that service.
    secrets : frozenset of str
        Parts of its URL that are not to be shown.
    """

    plugin: Any = field(repr=False)
    secrets: frozenset[str] = field(default=frozenset(), repr=False)

    @property
    def about(self) -> str:
        """What it is: the service's name."""
        return str(self.plugin.service_name)

    def send(self, message: Message, seconds: float) -> None:
        """Send a message; the library's own limits are those of each step, not of the whole."""
        self.plugin.socket_connect_timeout = min(5.0, seconds)
        self.plugin.socket_read_timeout = seconds
        with _Heard() as heard:
            try:
                went = self.plugin.notify(
                    body=message.body, title=message.title, notify_type=_TYPES.get(message.tone, NotifyType.INFO)
                )
            except Exception as exc:  # some hundred services by many hands: whatever one raises is a failure to send
                raise NotDelivered(f"{self.about}: {type(exc).__name__}") from exc
        if not went:
            why = without(heard.said, self.secrets)[:_LONGEST]
            raise NotDelivered(f"{self.about}: {why or 'it was not taken'}")


class _Heard(logging.Handler):
    """Hears what the library logs in this thread while it sends."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self._thread = threading.get_ident()
        self.said = ""

    def __enter__(self) -> Self:
        logging.getLogger("apprise").addHandler(self)
        return self

    def __exit__(self, *_: object) -> None:
        logging.getLogger("apprise").removeHandler(self)

    def emit(self, record: logging.LogRecord) -> None:
        """Keep the last line of this thread's."""
        if record.thread == self._thread:
            self.said = " ".join(record.getMessage().split())
