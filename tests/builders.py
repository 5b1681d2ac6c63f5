"""Valid rows and helpers; a test names only what it is about."""

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from datetime import time as wall_time
from threading import Event, Thread

import paho.mqtt.client as mqtt
from sqlmodel import Session

from service.ingest.broker_address import BrokerAddress
from service.ingest.intake import Intake
from service.ingest.subscriber import Subscriber
from service.main import now_ms
from service.model import (
    Channel,
    Enclosure,
    LightSchedule,
    Placement,
    Probe,
    Profile,
    ProfileAssignment,
    ProfileVersion,
    Room,
    Site,
    to_ms,
)
from service.store.engine import Store
from service.store.intake import receipts
from service.store.readings import StoredReadings, next_number, read_readings

LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
NOON_MS = to_ms(NOON)
MINUTE = 60_000
BASKING = {
    "target": [
        {"check": "hot-spot", "low": 33.0, "high": 36.0, "source": "common practice, no source"},
        {"check": "hot-spot-peak", "high": 38.0, "source": "common practice, no source"},
    ]
}
_ENTERED = {"entered_by": "a test", "entered_at": LONG_AGO}


def a_site(session: Session, timezone: str = "UTC") -> None:
    session.add(Site(name="Test house", timezone=timezone))
    session.add(Room(key="front", name="Front room"))
    session.flush()


def an_enclosure(session: Session, key: str = "rack-a-1", body: dict | None = None, **changes: object) -> Enclosure:
    """Lights 07:00 to 19:00, and a profile with a basking spot."""
    enclosure = Enclosure.model_validate({"key": key, "name": key, "room_id": 1} | changes)
    session.add(enclosure)
    session.flush()
    session.add(
        LightSchedule(enclosure_id=enclosure.id, on=wall_time(7), off=wall_time(19), from_at=LONG_AGO, **_ENTERED)
    )
    profile = Profile(key=f"profile-of-{key}", species="Lacerta exempli")
    session.add(profile)
    session.flush()
    session.add(ProfileVersion(profile_id=profile.id, version=1, body=body or BASKING, from_at=LONG_AGO, **_ENTERED))
    session.add(ProfileAssignment(enclosure_id=enclosure.id, profile_id=profile.id, from_at=LONG_AGO, **_ENTERED))
    return enclosure


def a_probe(
    session: Session,
    key: str,
    quantities: Sequence[str] = ("air_temperature",),
    enclosure: Enclosure | None = None,
    zone: str = "basking",
    **changes: object,
) -> list[int]:
    """Return the ids of its channels; json pointers are the quantities' names."""
    usual = {"key": key, "model": "sht31", "topic": f"probes/{key}", "format": "json", "every_s": 60}
    probe = Probe.model_validate(usual | changes)
    session.add(probe)
    session.flush()
    ids = []
    for quantity in quantities:
        pointer = f"/{quantity}" if probe.format == "json" else None
        channel = Channel(key=f"{key}/{quantity}", probe_id=probe.id, quantity=quantity, pointer=pointer)
        session.add(channel)
        session.flush()
        ids.append(channel.id)
        if enclosure is not None:
            session.add(
                Placement(channel_id=channel.id, enclosure_id=enclosure.id, zone=zone, from_at=LONG_AGO, **_ENTERED)
            )
    next_number(session, "facts")
    return ids


def stored(store: Store, channel: int) -> StoredReadings:
    with store.read() as session:
        return read_readings(session, channel, 0)


def wait_until(condition: Callable[[], bool], seconds: float = 15) -> None:
    """Wait for something that another thread brings about."""
    deadline = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > deadline:
            raise AssertionError(f"did not happen within {seconds} s")
        time.sleep(0.01)


@contextmanager
def listening(store: Store, address: BrokerAddress, session_name: str = "wardian-test") -> Iterator[Intake]:
    """Run the ingest of a store against a broker."""
    intake, stop = Intake(store, 500), Event()

    def noted(name: str) -> list:
        with store.read() as session:
            return receipts(session, name)

    subscriber = Subscriber(address, session_name, intake.take, receipts=noted, committed=lambda: None, now_ms=now_ms)
    thread = Thread(target=subscriber.run, args=(stop,))
    thread.start()
    try:
        wait_until(lambda: subscriber.connection.connected)
        yield intake
    finally:
        stop.set()
        thread.join(10)


@contextmanager
def publisher(address: BrokerAddress) -> Iterator[mqtt.Client]:
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="a-probe")
    if address.user:
        client.username_pw_set(address.user, address.password)
    client.max_inflight_messages_set(1000)
    client.connect(address.host, address.port)
    client.loop_start()
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def publish(client: mqtt.Client, topic: str, payload: str | bytes, **more: object) -> None:
    """Publish at QoS 1 and wait until the broker has it."""
    client.publish(topic, payload, qos=1, **more).wait_for_publish(10)
