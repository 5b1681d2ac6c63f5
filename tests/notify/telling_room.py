"""A small room with contacts, whose alarms a test raises by hand, and a worker with a clock of the test's own."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from sqlmodel import Session, select

from service.alarms.record import Deed, Occurrence, acknowledge, record_raised, record_returned
from service.main_telling import wordings
from service.model import Alarm, Contact, Delivery, Enclosure, Escalation, Room, Telling, to_ms
from service.notify.messages import Wording
from service.notify.pace import Pace
from service.notify.teller import Teller
from service.store.engine import Store
from service.store.readings import next_number
from tests.builders import NOON, a_site, wait_until

QUICK = replace(
    Pace(),
    attempt=timedelta(seconds=1), lease=timedelta(seconds=3), first_retry=timedelta(seconds=1), poll=0.02,
)  # fmt: skip


@dataclass
class TellingRoom:
    """What a test of telling works with; its clock stands still until the test moves it."""

    store: Store
    pace: Pace = QUICK
    base: str = "https://wardian.example.org"
    now: datetime = NOON
    teller: Teller = field(init=False)
    contacts: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.teller = self.worker()

    def worker(self, words: Mapping[str, Wording] | None = None) -> Teller:
        return Teller(self.store, lambda: to_ms(self.now), words or wordings(), self.base, self.pace)

    def furnish(self, enclosures: int = 3, rooms: Sequence[str] = ("front",), timezone: str = "UTC") -> None:
        with self.store.write() as session:
            a_site(session, timezone)
            for room in rooms[1:]:
                session.add(Room(key=room, name=f"{room.capitalize()} room"))
            session.flush()
            for number in range(enclosures):
                room = number % len(rooms) + 1
                session.add(Enclosure(key=f"rack-a-{number + 1}", name=f"Frogs {number + 1}", room_id=room))
            next_number(session, "facts")

    def contact(self, name: str, route: str, priority: str = "low", hours: str | None = None) -> int:
        with self.store.write() as session:
            row = Contact(name=name, route=route, priority=priority, hours=hours)
            session.add(row)
            session.flush()
            self.contacts[name] = row.id or 0
        return self.contacts[name]

    def step(self, number: int, minutes: float, *names: str) -> None:
        with self.store.write() as session:
            session.add(Escalation(step=number, after_minutes=minutes, contacts=list(names)))

    def raise_(
        self, enclosure: int = 1, condition: str = "basking-overheat", priority: str = "high", **more: object
    ) -> int:
        usual = {
            "condition": condition, "place": f"rack-a-{enclosure}/basking", "priority": priority, "raised_at": self.now,
            "began_at": self.now - timedelta(minutes=1), "enclosure_id": enclosure, "zone": "basking", "value": 41.2,
            "peak": 41.2, "limit": 38.0, "unit": "Cel", "cause": "Only the basking zone is hot: likely lamp too close.",
        }  # fmt: skip
        with self.store.write() as session:
            alarm = record_raised(session, Occurrence(**(usual | more)), self.now)  # type: ignore[arg-type]
            assert alarm is not None
            return alarm.id or 0

    def returns(self, alarm_id: int) -> None:
        with self.store.write() as session:
            alarm = session.get(Alarm, alarm_id)
            assert alarm is not None
            record_returned(session, alarm, Deed("the watch", self.now, self.now), 41.9)

    def acknowledged(self, alarm_id: int, by: str = "Ana") -> None:
        with self.store.write() as session:
            acknowledge(session, alarm_id, by, None, self.now)

    def pass_time(self, seconds: float = 0.0, minutes: float = 0.0) -> None:
        """Let time pass, and everything be done that came due in it, step by step."""
        ends = self.now + timedelta(seconds=seconds, minutes=minutes)
        stride = max(timedelta(seconds=1), (ends - self.now) / 40)
        while self.now < ends:
            self.now = min(self.now + stride, ends)
            # The clock is the test's own: it may run ahead of the monotonic one.
            self.teller._looked = None
            self.settle()

    def settle(self) -> None:
        """Let the worker do what is due now, attempts that it begins included."""
        for _ in range(20):
            wait = self.teller.step()
            running = self.teller._courier.running
            if running:
                wait_until(lambda running=running: all(one.is_done or one.is_overdue for one in running), 5)
                continue
            if wait > 0:
                return

    def deliveries(self) -> list[Delivery]:
        with self.store.read() as session:
            return list(session.exec(select(Delivery).order_by(Delivery.id)))  # type: ignore[arg-type]

    def agenda(self) -> list[Telling]:
        with self.store.read() as session:
            return list(session.exec(select(Telling)))


def raised_in(session: Session, condition: str) -> list[Alarm]:
    return list(session.exec(select(Alarm).where(Alarm.condition == condition)))
