"""Carries messages out: each attempt in a thread of its own, bounded in number and in time.

What hangs cannot be ended from outside, so it is left behind: it keeps its thread, its contact and its message until
it ends, and then its outcome counts. Meanwhile the route is known to fail, and every other contact is served.
"""

import threading
import time
import traceback
from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from typing import Final

import structlog

from service.errors import NotDelivered, WardianError
from service.notify.messages import Message
from service.notify.routes.route import Route, route_of

log = structlog.get_logger("notify")

MOST: Final = 16
"""So many attempts run at a time."""
_GRACE_S: Final = 1.0


@dataclass(slots=True)
class Attempt:
    """One attempt to send a message.

    Attributes
    ----------
    delivery_id, contact_id : int
    began : float
        By the monotonic clock. [s]
    failed : NotDelivered or None
        Why it failed, once it is done.
    is_done, is_overdue : bool
        `is_overdue` is set once it has been reported to take too long.
    """

    delivery_id: int
    contact_id: int
    began: float = field(default_factory=time.monotonic)
    failed: NotDelivered | None = None
    is_done: bool = False
    is_overdue: bool = False


class Courier:
    """Sends messages, at most one a contact at a time.

    Parameters
    ----------
    seconds : float
        So long one attempt may take. [s]
    finished : callable
        Called from the attempt's thread when one has ended.
    """

    def __init__(self, seconds: float, finished: threading.Event) -> None:
        self._seconds, self._finished = seconds, finished
        self._attempts: list[Attempt] = []
        self._routes: dict[int, tuple[str, Route]] = {}

    @property
    def busy(self) -> list[int]:
        """Contacts whose route is at work."""
        return [attempt.contact_id for attempt in self._attempts]

    @property
    def free(self) -> int:
        """How many attempts more may begin."""
        return MOST - len(self._attempts)

    @property
    def running(self) -> list[Attempt]:
        """Attempts whose outcome has not been taken yet."""
        return list(self._attempts)

    def send(self, delivery_id: int, contact_id: int, url: str, message: Message) -> None:
        """Begin an attempt; its outcome comes by `outcomes`, until it is `noted`."""
        attempt = Attempt(delivery_id, contact_id)
        self._attempts.append(attempt)
        thread = threading.Thread(target=self._run, args=(attempt, url, message), name="telling", daemon=True)
        thread.start()

    def outcomes(self) -> list[Attempt]:
        """Return attempts that have ended, and those that take too long and have not been noted as such."""
        late = time.monotonic() - self._seconds - _GRACE_S
        return [one for one in self._attempts if one.is_done or (one.began < late and not one.is_overdue)]

    def noted(self, attempts: Sequence[Attempt], done: AbstractSet[int]) -> None:
        """Take note that these outcomes are written down, those of `done` (numbers of deliveries) for good."""
        for attempt in attempts:
            if attempt.delivery_id in done:
                self._attempts.remove(attempt)
            else:
                attempt.is_overdue = True

    def _run(self, attempt: Attempt, url: str, message: Message) -> None:
        try:
            self._route(attempt.contact_id, url).send(message, self._seconds)
        except NotDelivered as exc:
            attempt.failed = exc
        except WardianError as exc:
            attempt.failed = NotDelivered(str(exc))
        except Exception as exc:  # noqa: BLE001 - any error is an outcome
            # An attempt must always end with an outcome, or its contact would never be told anything again. Neither the
            # error's text nor the values of a traceback are logged: they may hold the route.
            last = traceback.extract_tb(exc.__traceback__)[-1]
            where = f"{last.filename}:{last.lineno}"
            log.error(  # noqa: TRY400 - as above
                "telling_went_wrong", contact=attempt.contact_id, delivery=attempt.delivery_id,
                error=type(exc).__name__, where=where,
            )  # fmt: skip
            attempt.failed = NotDelivered(f"an error of the service ({type(exc).__name__}); see its log")
        attempt.is_done = True
        self._finished.set()

    def _route(self, contact_id: int, url: str) -> Route:
        known = self._routes.get(contact_id)
        if known is None or known[0] != url:
            known = self._routes[contact_id] = (url, route_of(url))
        return known[1]
