"""Watches the watching: what stops the service from seeing, storing or telling becomes an alarm like any other.

Where even that cannot be recorded, since the database takes nothing, the contacts that were last known are told
directly: it is the one message that does not come from the outbox.
"""

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, Protocol

import structlog
from sqlmodel import Session

from service.alarms.record import WATCH, Deed, Occurrence, record_raised, record_returned
from service.errors import StoreContended, StoreUnusable
from service.model import Alarm, Contact, from_ms
from service.notify.courier import Courier
from service.notify.messages import Message
from service.notify.pace import Pace
from service.notify.planner import CONTACT_PLACE, SERVICE_PLACE
from service.store.deliveries import contacts_in_use, route_states
from service.store.engine import Store
from service.store.telling import not_over, one_at_a_time, try_to_write

log = structlog.get_logger("notify")

DELIVERY: Final = "watch-delivery"
CLOCK: Final = "watch-clock"
CONDITION_OF: Final = {
    "broker": "watch-broker",
    "ingest": "watch-ingest",
    "watch": "watch-behind",
    "disk": "watch-disk",
    "telling": DELIVERY,
    "heartbeat": "watch-heartbeat",
}
"""Which alarm a part of the service raises when it does not do its work."""
ON_DELAY_S: Final = 120.0
"""[s]"""
CLOCK_STANDS: Final = timedelta(minutes=10)
"""So long after the clock was set the alarm of it returns. Common practice, no source."""
_AGAIN_S: Final = 3600.0
_WRITE_EVERY_S: Final = 60.0


class PartState(Protocol):
    """How a part of the service is: whether it does its work, and in a sentence how it is."""

    @property
    def ok(self) -> bool:
        """Whether it does its work."""
        ...

    @property
    def said(self) -> str:
        """What it does, or what is wrong."""
        ...


@dataclass(slots=True)
class _Wrong:
    """A part that is not well: since when, and what it says."""

    mono: float
    since: datetime
    said: str


class SelfWatch:
    """Looks at the parts of the service, and at the routes, whenever it is called.

    Parameters
    ----------
    store : Store
    now_ms : callable
        The time. [ms since 1970, UTC]
    states : callable
        How each part is, by name.
    priorities : mapping of str to str
        Of the conditions.
    clock_step : callable
        Returns by how much the clock was set since it was last asked, None when it was not.
    changed : callable
        Told after alarms were recorded.
    pace : Pace, optional
    on_delay_s : float, optional
        [s]
    """

    def __init__(
        self,
        store: Store,
        now_ms: Callable[[], int],
        states: Callable[[], Mapping[str, PartState]],
        priorities: Mapping[str, str],
        clock_step: Callable[[], timedelta | None],
        changed: Callable[[], None],
        pace: Pace | None = None,
        on_delay_s: float = ON_DELAY_S,
    ) -> None:
        self._store, self._now_ms, self._states, self._priorities = store, now_ms, states, priorities
        self._clock_step, self._changed, self._on_delay_s = clock_step, changed, on_delay_s
        self._pace = pace or Pace()
        self._wrong: dict[str, _Wrong] = {}
        self._stepped: tuple[float, datetime, timedelta] | None = None
        self._last_words = _LastWords(self._pace)
        self._wrote_at: float | None = None
        self.store_said: str | None = None
        self.routes_said, self.routes_ok = "no contact is to be told", True

    def __call__(self) -> None:
        """Look once: raise what has been wrong for the on-delay, let return what is well again."""
        now = from_ms(self._now_ms())
        self._look_at_parts(now)
        self._look_at_clock(now)
        try:
            with self._store.write() as session:
                one_at_a_time(session)
                self._try_to_write(session)
                contacts = contacts_in_use(session)
                changed = self._record(session, contacts, now)
            self._last_words.contacts = [(contact.id or 0, contact.route) for contact in contacts]
            self._last_words.well()
            self.store_said = None
        except StoreUnusable as exc:
            log.warning("not_recorded", reason=str(exc))
            self._wrote_at, self.store_said = None, str(exc)
            self._last_words.wrong(str(exc), self._on_delay_s)
            return
        except StoreContended as exc:
            log.warning("not_recorded", reason=str(exc))  # another process wrote the same: the next look sees it
            return
        if changed:
            self._changed()

    def _try_to_write(self, session: Session) -> None:
        """Write something now and then: a database that nobody writes to looks well until somebody does."""
        if self._wrote_at is None or time.monotonic() - self._wrote_at >= _WRITE_EVERY_S:
            try_to_write(session, from_ms(self._now_ms()))
            self._wrote_at = time.monotonic()

    def _look_at_parts(self, now: datetime) -> None:
        states = self._states()
        for part in CONDITION_OF:
            state = states.get(part)
            if state is None or state.ok:
                self._wrong.pop(part, None)
            else:
                wrong = self._wrong.setdefault(part, _Wrong(time.monotonic(), now, state.said))
                wrong.said = state.said

    def _look_at_clock(self, now: datetime) -> None:
        step = self._clock_step()
        if step is not None:
            self._stepped = (time.monotonic(), now, step)
        elif self._stepped is not None and time.monotonic() - self._stepped[0] > CLOCK_STANDS.total_seconds():
            self._stepped = None

    def _record(self, session: Session, contacts: Sequence[Contact], now: datetime) -> int:
        """Bring the record to what is wrong now; return how many alarms changed."""
        due = self._what_is_wrong() | self._dead_routes(session, contacts, now)
        known = {CLOCK, *CONDITION_OF.values()}
        standing = {(alarm.condition, alarm.place): alarm for alarm in not_over(session, sorted(known))}
        changed = 0
        for key, (since, said) in due.items():
            if key not in standing:
                changed += self._raise(session, key, since, said, now)
        for key, alarm in standing.items():
            if key not in due and not self._may_still_come(key):
                changed += _return(session, alarm, now)
        return changed

    def _what_is_wrong(self) -> dict[tuple[str, str], tuple[datetime, str]]:
        """Return what has been wrong for the on-delay: condition and place to since when, and what it says."""
        due: dict[tuple[str, str], tuple[datetime, str]] = {}
        for part, wrong in self._wrong.items():
            if time.monotonic() - wrong.mono >= self._on_delay_s:
                due[CONDITION_OF[part], f"{SERVICE_PLACE}{part}"] = (wrong.since, wrong.said)
        if self._stepped is not None:
            _mono, since, step = self._stepped
            way = "ahead" if step > timedelta() else "back"
            said = f"It was set {way} by {abs(step.total_seconds()):.0f} s."
            due[CLOCK, f"{SERVICE_PLACE}clock"] = (since, said)
        return due

    def _may_still_come(self, key: tuple[str, str]) -> bool:
        """Whether a part is wrong, if not for long enough: after a restart its alarm stands on."""
        return key[1].removeprefix(SERVICE_PLACE) in self._wrong

    def _dead_routes(
        self, session: Session, contacts: Sequence[Contact], now: datetime
    ) -> dict[tuple[str, str], tuple[datetime, str]]:
        """Return the routes that have failed for long, and keep in words how the routes are."""
        states, dead = route_states(session), {}
        for contact in contacts:
            state = states.get(contact.id or 0)
            if state is not None and state.failing_since is not None and now - state.failing_since >= self._pace.dead:
                dead[DELIVERY, f"{CONTACT_PLACE}{contact.name}"] = (state.failing_since, f"{_sentence(state.said)}")
        self.routes_ok = not contacts or len(dead) < len(contacts)
        self.routes_said = f"{len(contacts) - len(dead)} of {len(contacts)} contacts can be told"
        return dead

    def _raise(self, session: Session, key: tuple[str, str], since: datetime, said: str, now: datetime) -> bool:
        condition, place = key
        occurrence = Occurrence(
            condition=condition, place=place, priority=self._priorities[condition], raised_at=now,
            began_at=min(since, now), cause=_sentence(said),
        )  # fmt: skip
        raised = record_raised(session, occurrence, now)
        log.warning("alarm_raised", alarm=raised and raised.id, condition=condition, place=place)
        return raised is not None


def _return(session: Session, alarm: Alarm, now: datetime) -> bool:
    log.info("alarm_returned", alarm=alarm.id, condition=alarm.condition, place=alarm.place)
    return record_returned(session, alarm, Deed(WATCH, max(now, alarm.raised_at), now), None)


def _sentence(said: str | None) -> str:
    text = (said or "").strip().rstrip(".")
    return f"{text[:1].upper()}{text[1:]}." if text else ""


class _LastWords:
    """Tells the contacts that were last known that the database takes nothing, once and each hour while it lasts."""

    def __init__(self, pace: Pace) -> None:
        self.contacts: list[tuple[int, str]] = []
        self._courier = Courier(pace.attempt.total_seconds(), threading.Event())
        self._since: float | None = None
        self._said_at: float | None = None

    def well(self) -> None:
        """Take note that the database takes what is written."""
        self._since = self._said_at = None

    def wrong(self, said: str, after_s: float) -> None:
        """Take note that it does not; tell, when that has lasted."""
        now = time.monotonic()
        self._since = self._since or now
        ended = self._courier.outcomes()
        self._courier.noted(ended, {attempt.delivery_id for attempt in ended if attempt.is_done})
        if now - self._since < after_s or (self._said_at is not None and now - self._said_at < _AGAIN_S):
            return
        self._said_at = now
        at = datetime.now(UTC)
        message = Message(
            "Wardian cannot store anything",
            f"Since about {at - timedelta(seconds=now - self._since):%H:%M} UTC nothing can be stored, so no alarm is "
            f"recorded or told: {said}. Make room on the disk, or mend the database; look after the animals meanwhile.",
            "high",
        )
        busy = set(self._courier.busy)
        for contact, route in self.contacts:
            if contact not in busy:
                self._courier.send(contact, contact, route, message)
