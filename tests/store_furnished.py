"""A store with something in every table, and words for comparing two stores."""

import random
from importlib import resources

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from sqlmodel import Session

from service.model import (
    Alarm,
    AlarmTransition,
    Animal,
    Calibration,
    Change,
    Contact,
    Equipment,
    Escalation,
    Flag,
    Housing,
    MistingSchedule,
    TargetOverride,
    WatchState,
)
from service.store.assessments import KeptDay, keep_days
from service.store.checksums import sum_store
from service.store.engine import Store, open_store
from service.store.intake import ReceiptEntry, Refusal, add_receipt, installation_number, keep_refusals
from service.store.readings import add_readings, next_number
from service.store.sealing import QUIET_MS, Sealer
from tests.builders import LONG_AGO, MINUTE, NOON, NOON_MS, a_probe, a_site, an_enclosure

DAY = 24 * 60 * MINUTE
_ENTERED = {"from_at": LONG_AGO, "entered_by": "a test", "entered_at": LONG_AGO}


def furnish(store: Store, channels: int = 3, days: int = 4, seed: int = 1, *, sealed: bool = True) -> None:
    """Fill a store: facts of every kind, and readings every five minutes, some of them late; old days are sealed."""
    with store.write() as session:
        a_site(session, "Europe/Lisbon")
        enclosure = an_enclosure(session)
        ids = [a_probe(session, f"spot-{number}", enclosure=enclosure)[0] for number in range(channels)]
        _add_facts(session, enclosure.id, ids[0])
        installation_number(session, 2**47 + 5)
        keep_refusals(session, [Refusal(NOON, "probes/unknown", b"\x00\xff{", "no number: '\ufffd'")], 100)
        add_receipt(session, "wardian-test", [ReceiptEntry(7, 2**63 + 1)])
        keep_days(session, enclosure.id, [KeptDay(NOON.date(), b"\x01", b"\x02", b"\x00body")])
        next_number(session, "facts")
    add_some_readings(store, ids, days, seed)
    if sealed:
        list(Sealer(store).run(NOON_MS - days // 2 * DAY + QUIET_MS, lambda _: None))


def _add_facts(session: Session, enclosure_id: int, channel_id: int) -> None:
    animal = Animal(name="Ünal 🦎", species="Lacerta exempli")
    alarm = Alarm(
        condition="too-hot", place="rack-a-1/basking", enclosure_id=enclosure_id, zone="basking", priority="high",
        state="unacknowledged", raised_at=NOON, began_at=NOON, value=40.1, peak=0.1 + 0.2, limit=38.0, unit="Cel",
    )  # fmt: skip
    session.add_all([animal, alarm])
    session.flush()
    session.add_all([
        AlarmTransition(alarm_id=alarm.id, at=NOON, recorded_at=NOON, before="normal", after="x", by="the watch"),
        Housing(animal_id=animal.id, enclosure_id=enclosure_id, **_ENTERED),
        Calibration(channel_id=channel_id, reference=75.3, reads=74.1, uncertainty=0.5, **_ENTERED),
        Equipment(enclosure_id=enclosure_id, kind="UV lamp", replace_after_months=12.0, **_ENTERED),
        MistingSchedule(enclosure_id=enclosure_id, cycles=[["08:00", 45]], **_ENTERED),
        TargetOverride(enclosure_id=enclosure_id, check="hot-spot", low=1e-300, reason="gravid", **_ENTERED),
        Contact(name="keeper", route="mailto://keeper@localhost", hours="08:00-20:00"),
        Escalation(step=1, after_minutes=5.0, contacts=["keeper"]),
        Change(at=NOON, by="a test", subject="enclosure rack-a-1", before=None, after={"b": 1.5, "a": ["ä", None]}),
        WatchState(channel_id=channel_id, at_ms=NOON_MS, memory={"since": NOON_MS, "nested": {"x": -0.0}}),
    ])  # fmt: skip


def add_some_readings(store: Store, channels: list[int], days: int, seed: int = 1) -> None:
    chance = random.Random(seed)  # noqa: S311 - values, no secret
    start = NOON_MS - days * DAY
    for day in range(days):
        rows = [
            (channel, start + day * DAY + minute * MINUTE, chance.gauss(30, 5), int(Flag.DEVICE_CLOCK))
            for channel in channels
            for minute in range(0, 24 * 60, 5)
        ]
        with store.write() as session:
            add_readings(session, rows)
    with store.write() as session:  # late, of the first day, and of a year long past
        add_readings(session, [(channels[0], start + 1, 20.0, 17), (channels[0], 1_000_000_000_123, 5e-324, 17)])


def contents(store: Store) -> dict[str, str]:
    """Return rows and checksum of every table."""
    with store.read() as session:
        return {name: str(total) for name, total in sum_store(session).items()}


def contents_at(url: str) -> dict[str, str]:
    store = open_store(url)
    try:
        return contents(store)
    finally:
        store.close()


def spoil(store: Store, statement: str, **values: object) -> None:
    """Change what is stored behind the program's back."""
    with store.write() as session:
        session.execute(sa.text(statement), values)


def migrate(url: str, revision: str) -> None:
    """Bring a database up or down to a revision."""
    engine = sa.create_engine(url)
    config = Config()
    config.set_main_option("script_location", str(resources.files("service.store") / "migrations"))
    try:
        with engine.begin() as connection:
            config.attributes["connection"] = connection
            there = MigrationContext.configure(connection).get_current_revision() or ""
            up = revision != "base" and there < revision
            (command.upgrade if up else command.downgrade)(config, revision)
    finally:
        engine.dispose()
