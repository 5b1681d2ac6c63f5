"""The worker that tells: it decides what is due, claims what waits, sends it, and writes down what came of it.

Any number of workers may do so on one database. What waits is claimed for a time (a lease): a worker that dies
lets it lapse, and another sends it, perhaps once more. That is at least once, and never twice by one worker.
"""

import random
import secrets
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

import structlog
from sqlmodel import Session

from service.errors import NotDelivered, StoreContended, StoreUnusable
from service.model import Contact, Delivery, from_ms
from service.notify.audience import awake_from, is_held_by_hours
from service.notify.composing import compose
from service.notify.courier import Attempt, Courier
from service.notify.messages import Message, Wording
from service.notify.pace import Pace, wait_after
from service.notify.planner import Planner, listener_of
from service.store.deliveries import (
    claim,
    claimed_by,
    extend_lease,
    first_due,
    note_route,
    settle_failed,
    settle_sent,
    withdraw,
)
from service.store.engine import Store
from service.store.facts import RoomFacts, facts_version, load_facts
from service.store.intake import installation_number
from service.store.telling import first_look, keep_to_the_clock, one_at_a_time, was_set_back

log = structlog.get_logger("notify")

_STEP_S: Final = 30.0
"""Wall clock and monotonic clock that part by more than this within one look: the clock was set."""
_STOP_S: Final = 3.0


class Teller:
    """Tells people of alarms.

    Parameters
    ----------
    store : Store
    now_ms : callable
        The time. [ms since 1970, UTC]
    wordings : mapping of str to Wording
        What is said of each condition.
    base : str
        The pages' public address; may be empty.
    pace : Pace, optional
    chance : Random, optional
        Varies the waiting after failures.
    """

    def __init__(
        self,
        store: Store,
        now_ms: Callable[[], int],
        wordings: Mapping[str, Wording],
        base: str = "",
        pace: Pace | None = None,
        chance: random.Random | None = None,
    ) -> None:
        self._store, self._now_ms, self._wordings, self._base = store, now_ms, wordings, base
        self.pace = pace or Pace()
        self._chance = chance or random.Random()  # noqa: S311 - waiting times, no secret
        self._worker = f"{secrets.token_hex(8)}"
        self.woken = threading.Event()
        self._planner = Planner(self.pace, wordings)
        self._courier = Courier(self.pace.attempt.total_seconds(), self.woken)
        self._facts: RoomFacts | None = None
        self._installation: int | None = None
        self._no_stealing_until = 0.0
        self._looked: tuple[float, int] | None = None
        self._extended = 0.0
        self.clock_step: timedelta | None = None
        self.said: str | None = None
        self.stepped_at = time.monotonic()

    def run(self, stop: threading.Event) -> None:
        """Step whenever woken, and now and then besides, until told to stop."""
        wait = 0.0
        while not stop.is_set():
            self.woken.wait(wait)
            self.woken.clear()
            try:
                wait = self.step()
                self.said = None
            except (StoreUnusable, StoreContended) as exc:
                self.said, wait = str(exc), self.pace.poll
                log.warning("telling_waits", reason=str(exc))
            self.stepped_at = time.monotonic()
        self._finish()

    def step(self) -> float:
        """Do what is due, and return how long nothing will be. [s]."""
        now = self._heed_clock()
        with self._store.read() as session:
            set_back = was_set_back(session, now)
            look, due = first_look(session), first_due(session)
        if set_back:
            with self._store.write() as session:
                keep_to_the_clock(session, now)
            return 0.0
        self._note_outcomes(now)
        planned = 0
        if look is not None and look + self.pace.settle <= now:
            with self._store.write() as session:
                planned = self._planner.plan(session, self._facts_of(session), now)
        if planned or (due is not None and due <= now):
            self._send_what_is_due(now)
        self._keep_leases(now)
        return self._until_next(look, due, now, again=planned > 0)

    def _until_next(self, look: datetime | None, due: datetime | None, now: datetime, *, again: bool) -> float:
        moments = [moment for moment in (look and look + self.pace.settle, due) if moment and moment > now]
        soonest = min(((moment - now).total_seconds() for moment in moments), default=self.pace.poll)
        return 0.0 if again else max(0.0, min(self.pace.poll, soonest))

    def _heed_clock(self) -> datetime:
        """Return the time; where the clock was set since the last look, claims of others count for a lease longer."""
        now_ms, mono = self._now_ms(), time.monotonic()
        if self._looked is not None:
            parted = (now_ms - self._looked[1]) / 1000 - (mono - self._looked[0])
            if abs(parted) > _STEP_S:
                self.clock_step = timedelta(seconds=parted)
                self._no_stealing_until = mono + self.pace.lease.total_seconds()
                log.warning("clock_was_set", seconds=round(parted))
        self._looked = (mono, now_ms)
        return from_ms(now_ms)

    def _facts_of(self, session: Session) -> RoomFacts:
        if self._facts is None or self._facts.version != facts_version(session):
            self._facts = load_facts(session)
        return self._facts

    def _send_what_is_due(self, now: datetime) -> None:
        if self._courier.free <= 0:
            return
        ready: list[tuple[Delivery, str, Message]] = []
        with self._store.write() as session:
            facts = self._facts_of(session)
            installation = self._number(session)
            for delivery in self._claim(session, now):
                contact = session.get(Contact, delivery.contact_id)
                message = self._ready(session, facts, delivery, contact, now, installation)
                if message is not None and contact is not None:
                    ready.append((delivery, contact.route, message))
        for delivery, url, message in ready:
            self._courier.send(delivery.id or 0, delivery.contact_id, url, message)

    def _number(self, session: Session) -> int:
        """Return the installation's number, by which its messages are told from another's."""
        if self._installation is None:
            one_at_a_time(session)
            self._installation = installation_number(session, secrets.randbits(48))
            session.flush()
        return self._installation

    def _claim(self, session: Session, now: datetime) -> Sequence[Delivery]:
        steal = time.monotonic() >= self._no_stealing_until
        busy, free = self._courier.busy, self._courier.free
        return claim(session, self._worker, now, self.pace.lease, free, busy=busy, steal=steal)

    def _ready(
        self,
        session: Session,
        facts: RoomFacts,
        delivery: Delivery,
        contact: Contact | None,
        now: datetime,
        number: int,
    ) -> Message | None:
        """Return what is sent now; None where it is put off or need not be said any more."""
        if contact is None or contact.retired_at is not None:
            withdraw(session, delivery, now, "the contact was ended")
            return None
        listener = listener_of(contact)
        if not delivery.urgent and listener.hours and is_held_by_hours(listener, "medium", now, facts.zone):
            delivery.due_at, delivery.attempts = awake_from(listener.hours, now, facts.zone), delivery.attempts - 1
            delivery.worker = delivery.lease_until = None
            session.add(delivery)
            return None
        message = compose(session, facts, delivery, now, self._wordings, self._base, number)
        if message is None:
            withdraw(session, delivery, now, "it was answered before it was sent")
            return None
        delivery.title, delivery.body = message.title, message.body
        session.add(delivery)
        return message

    def _note_outcomes(self, now: datetime) -> None:
        ended = self._courier.outcomes()
        if not ended:
            return
        # Whether an attempt is done is looked at once: it may end while this is written down.
        done = {attempt.delivery_id for attempt in ended if attempt.is_done}
        with self._store.write() as session:
            for attempt in ended:
                self._note(session, attempt, now, is_done=attempt.delivery_id in done)
        self._courier.noted(ended, done)

    def _note(self, session: Session, attempt: Attempt, now: datetime, *, is_done: bool) -> None:
        delivery = claimed_by(session, attempt.delivery_id, self._worker)
        if not is_done:
            seconds = self.pace.attempt.total_seconds()
            note_route(session, attempt.contact_id, now, f"no answer within {seconds:g} s; the attempt still hangs")
            return
        if delivery is None:
            return
        if attempt.failed is None:
            settle_sent(session, delivery, now)
            log.info("told", contact=attempt.contact_id, delivery=attempt.delivery_id)
            return
        settle_failed(session, delivery, now, str(attempt.failed), self._again_at(delivery, attempt.failed, now))
        log.warning("not_told", contact=attempt.contact_id, delivery=attempt.delivery_id, reason=str(attempt.failed))

    def _again_at(self, delivery: Delivery, failed: NotDelivered, now: datetime) -> datetime | None:
        """Return when to try again; None where it has been tried for long enough."""
        long = delivery.failing_since is not None and now - delivery.failing_since > self.pace.give_up
        if long and delivery.attempts >= self.pace.least_tries:
            return None
        asked = None if failed.retry_after_s is None else timedelta(seconds=failed.retry_after_s)
        return now + wait_after(self.pace, delivery.attempts, asked, self._chance.random())

    def _keep_leases(self, now: datetime) -> None:
        """Keep what is being sent still: a third of a lease is early enough."""
        third = self.pace.lease.total_seconds() / 3
        old = [attempt for attempt in self._courier.running if time.monotonic() - attempt.began > third]
        if not old or time.monotonic() - self._extended < third:
            return
        self._extended = time.monotonic()
        with self._store.write() as session:
            for attempt in old:
                extend_lease(session, attempt.delivery_id, self._worker, now, self.pace.lease)

    def _finish(self) -> None:
        """Wait a moment for what is being sent, and write down what came of it."""
        ends = time.monotonic() + _STOP_S
        while self._courier.running and time.monotonic() < ends:
            self.woken.wait(0.1)
            self.woken.clear()
            try:
                self._note_outcomes(from_ms(self._now_ms()))
            except (StoreUnusable, StoreContended) as exc:
                log.warning("telling_not_noted", reason=str(exc))
                return
