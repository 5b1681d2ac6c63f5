"""A small invented room in a real store, built row by row."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any

from fastapi import FastAPI

from sensors.payloads.measurement import Measurement
from service.api.app import create_api
from service.api.parts import ComponentState, Parts, PostedReading, Taken, Wake
from service.ingest.intake import Intake
from service.model import (
    Alarm,
    AlarmTransition,
    Calibration,
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
from service.settings import Settings
from service.store.alarms import add_transition
from service.store.engine import Store
from service.store.readings import add_readings, next_number

NOW = datetime(2026, 3, 10, 14, 0, tzinfo=UTC)
"""Two in the afternoon in Lisbon, lights on since 07:30."""
LONG_AGO = datetime(2025, 1, 1, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
TARGETS = [
    {"check": "hot-spot", "low": 31.0, "high": 36.0, "source": "common practice, no source"},
    {"check": "hot-spot-peak", "high": 40.0, "source": "common practice, no source"},
    {"check": "humidity-day", "low": 60.0, "high": 90.0, "source": "common practice, no source"},
    {"check": "night-floor", "low": 20.0, "source": "common practice, no source"},
]

ROUTES = [
    ("GET", "/healthz"),
    ("GET", "/readyz"),
    ("GET", "/metrics"),
    ("GET", "/api/v1/rooms"),
    ("GET", "/api/v1/enclosures"),
    ("GET", "/api/v1/enclosures/{enclosure_id}"),
    ("GET", "/api/v1/enclosures/{enclosure_id}/now"),
    ("GET", "/api/v1/enclosures/{enclosure_id}/series"),
    ("GET", "/api/v1/enclosures/{enclosure_id}/days"),
    ("GET", "/api/v1/enclosures/{enclosure_id}/misting"),
    ("GET", "/api/v1/lookback/enclosures/{enclosure_id}"),
    ("GET", "/api/v1/lookback/animals/{name}"),
    ("GET", "/api/v1/lookback/clutches/{name}"),
    ("GET", "/api/v1/animals"),
    ("POST", "/api/v1/animals"),
    ("GET", "/api/v1/animals/{name}"),
    ("POST", "/api/v1/animals/{name}/housings"),
    ("POST", "/api/v1/animals/{name}/housings/{number}/correct"),
    ("POST", "/api/v1/animals/{name}/housings/{number}/withdraw"),
    ("GET", "/api/v1/journal"),
    ("POST", "/api/v1/journal"),
    ("POST", "/api/v1/journal/{number}/correct"),
    ("GET", "/api/v1/clutches"),
    ("POST", "/api/v1/clutches"),
    ("GET", "/api/v1/clutches/{name}"),
    ("POST", "/api/v1/clutches/{name}/places"),
    ("POST", "/api/v1/clutches/{name}/correct"),
    ("POST", "/api/v1/clutches/{name}/outcome"),
    ("GET", "/api/v1/alarms"),
    ("GET", "/api/v1/alarms/load"),
    ("GET", "/api/v1/alarms/load/trial"),
    ("GET", "/api/v1/alarms/{alarm_id}"),
    ("POST", "/api/v1/alarms/{alarm_id}/acknowledge"),
    ("POST", "/api/v1/alarms/{alarm_id}/shelve"),
    ("POST", "/api/v1/alarms/{alarm_id}/unshelve"),
    ("POST", "/api/v1/alarms/{alarm_id}/out-of-service"),
    ("POST", "/api/v1/alarms/{alarm_id}/return"),
    ("GET", "/api/v1/holds"),
    ("POST", "/api/v1/enclosures/{enclosure_id}/out-of-service"),
    ("POST", "/api/v1/enclosures/{enclosure_id}/return"),
    ("GET", "/api/v1/contacts"),
    ("POST", "/api/v1/contacts/{name}/test"),
    ("GET", "/api/v1/deliveries"),
    ("POST", "/api/v1/readings"),
    ("GET", "/api/v1/probes"),
    ("GET", "/api/v1/probes/{probe_id}"),
    ("POST", "/api/v1/probes"),
    ("POST", "/api/v1/probes/{probe_id}/place"),
    ("GET", "/api/v1/unclaimed"),
    ("GET", "/api/v1/unclaimed/{source_id}"),
    ("GET", "/api/v1/calibrations"),
    ("POST", "/api/v1/calibrations"),
    ("GET", "/api/v1/calibrations/salts"),
    ("GET", "/api/v1/calibrations/reading"),
    ("POST", "/api/v1/calibrations/{number}/withdraw"),
    ("GET", "/api/v1/live"),
    ("GET", "/api/v1/search"),
    ("GET", "/api/v1/tokens"),
    ("POST", "/api/v1/tokens"),
    ("POST", "/api/v1/tokens/{number}/revoke"),
    ("GET", "/api/v1/care"),
    ("POST", "/api/v1/care/tasks"),
    ("POST", "/api/v1/care/tasks/{task}/done"),
    ("POST", "/api/v1/care/tasks/{task}/retire"),
    ("POST", "/api/v1/care/equipment"),
    ("POST", "/api/v1/care/equipment/take-away"),
    ("POST", "/api/v1/care/uv"),
    ("GET", "/api/v1/profiles"),
    ("GET", "/api/v1/profiles/{profile_id}"),
    ("POST", "/api/v1/profiles"),
    ("POST", "/api/v1/profiles/{profile_id}/versions"),
    ("POST", "/api/v1/profiles/{profile_id}/trial"),
    ("GET", "/api/v1/profiles/{profile_id}/trial/{trial}"),
]


def dated(**fields: Any) -> dict[str, Any]:
    """Return what every dated fact has, with changes."""
    return {"from_at": LONG_AGO, "entered_by": "test", "entered_at": LONG_AGO} | fields


class RoomBuilder:
    """Adds to a store what a test names; everything else is usual."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.enclosures: dict[str, int] = {}
        self.channels: dict[str, int] = {}
        self.profile_id = 0

    def site(self) -> None:
        """Add the site, a room and a profile."""
        with self.store.write() as session:
            session.add(Site(name="North house", timezone="Europe/Lisbon"))
            session.add(Room(key="front", name="Front room"))
            profile = Profile(key="sun-lizard", species="Invented lizard")
            session.add(profile)
            session.flush()
            self.profile_id = profile.id or 0
            wanted = [{"low": None, "high": None, "share": None} | target for target in TARGETS]
            body = {"target": wanted, "season": [], "notes": ""}  # as a room file leaves it
            version = dated(profile_id=profile.id, version=1, body=body)
            session.add(ProfileVersion(**version))
            next_number(session, "facts")

    def enclosure(self, key: str, *, profile: bool = True, lights: bool = True) -> int:
        """Add an enclosure, with a profile and lights from 07:30 to 19:30."""
        with self.store.write() as session:
            row = Enclosure(key=key, name=key.title(), room_id=1, rack="A", level=1, slot=len(self.enclosures) + 1)
            session.add(row)
            session.flush()
            identity = row.id or 0
            if profile:
                session.add(ProfileAssignment(**dated(enclosure_id=identity, profile_id=self.profile_id)))
            if lights:
                schedule = dated(enclosure_id=identity, on=time(7, 30), off=time(19, 30))
                session.add(LightSchedule(**schedule))
            next_number(session, "facts")
        self.enclosures[key] = identity
        return identity

    def channel(self, probe: str, quantity: str, every_s: float | None = 60.0, model: str = "sht31") -> int:
        """Add a probe with one channel."""
        with self.store.write() as session:
            device = Probe(key=probe, model=model, topic=f"probes/{probe}", format="json", every_s=every_s)
            session.add(device)
            session.flush()
            row = Channel(key=f"{probe}/{quantity}", probe_id=device.id or 0, quantity=quantity, pointer="/v")
            session.add(row)
            session.flush()
            identity = row.id or 0
            next_number(session, "facts")
        self.channels[f"{probe}/{quantity}"] = identity
        return identity

    def place(
        self,
        channel: int,
        enclosure: str,
        zone: str,
        start: datetime = LONG_AGO,
        end: datetime | None = None,
    ) -> None:
        """Place a channel in a zone."""
        with self.store.write() as session:
            fact = dated(
                from_at=start, until_at=end, channel_id=channel, enclosure_id=self.enclosures[enclosure], zone=zone
            )
            session.add(Placement(**fact))
            next_number(session, "facts")

    def calibrate(self, channel: int, at: datetime, reference: float, reads: float) -> None:
        """Note a reference check."""
        with self.store.write() as session:
            fact = dated(from_at=at, channel_id=channel, reference=reference, reads=reads, uncertainty=0.3)
            session.add(Calibration(**fact))
            next_number(session, "facts")

    def readings(self, channel: int, rows: Sequence[tuple[datetime, float] | tuple[datetime, float, int]]) -> None:
        """Store readings: (at, value) or (at, value, flags)."""
        with self.store.write() as session:
            add_readings(session, [(channel, to_ms(at), value, *(flags or (1,))) for at, value, *flags in rows])

    def alarm(self, enclosure: str | None, condition: str, **fields: Any) -> int:
        """Raise an alarm five minutes before NOW."""
        usual: dict[str, Any] = {
            "place": f"{enclosure}/basking",
            "zone": "basking",
            "priority": "high",
            "state": "normal",
            "raised_at": NOW - 4 * MINUTE,
            "began_at": NOW - 5 * MINUTE,
        }
        identity = None if enclosure is None else self.enclosures[enclosure]
        with self.store.write() as session:
            row = Alarm(condition=condition, enclosure_id=identity, **(usual | fields))
            session.add(row)
            session.flush()
            self._move(session, row, "unacknowledged")
            return row.id or 0

    def move_alarm(self, alarm_id: int, after: str) -> int:
        """Let an alarm come to another state; return the number of the transition."""
        with self.store.write() as session:
            row = session.get(Alarm, alarm_id)
            assert row is not None
            return self._move(session, row, after)

    def _move(self, session: Any, row: Alarm, after: str) -> int:
        transition = AlarmTransition(
            alarm_id=row.id or 0, at=NOW, recorded_at=NOW, before=row.state, after=after, by="watch"
        )
        add_transition(session, row, transition)
        session.flush()
        return transition.id or 0


@dataclass
class House:
    """What a test of the interface works with."""

    store: Store
    room: RoomBuilder
    parts: Parts
    states: dict[str, ComponentState]
    clock: list[datetime]

    @property
    def app(self) -> FastAPI:
        return create_api(self.parts)


def furnish(room: RoomBuilder) -> None:
    """Fill a room: one enclosure that is well, one silent, one spare, and their readings of today."""
    room.site()
    for key in ("rack-a-1", "rack-a-2"):
        room.enclosure(key)
    room.enclosure("spare", profile=False)
    basking = room.channel("a1-spot", "surface_temperature")
    room.place(basking, "rack-a-1", "basking")
    air = room.channel("a1-air", "air_temperature")
    room.place(air, "rack-a-1", "ambient")
    humidity = room.channel("a1-rh", "relative_humidity")
    room.place(humidity, "rack-a-1", "ambient")
    silent = room.channel("a2-spot", "surface_temperature")
    room.place(silent, "rack-a-2", "basking")
    times = [NOW - minutes * MINUTE for minutes in range(240)]
    room.readings(basking, [(at, 33.5) for at in times])
    room.readings(air, [(at, 24.0) for at in times])
    room.readings(humidity, [(at, 75.0) for at in times])
    room.readings(silent, [(at, 33.0) for at in times[120:]])


def house_of(store: Store, room: RoomBuilder, folder: Path) -> House:
    """Return a house whose clock stands at NOW, with the real intake."""
    intake, clock = Intake(store, 100), [NOW]
    states = {"broker": ComponentState(True, "connected"), "watch": ComponentState(True, "watching")}

    def take(posted: Sequence[PostedReading]) -> Taken:
        rows = [(one.probe, Measurement(one.quantity, one.value, one.at_ms)) for one in posted]
        stored, reasons = intake.take_measured(rows, to_ms(clock[0]))
        refused = tuple((index, reason) for index, reason in enumerate(reasons) if reason is not None)
        return Taken(stored, len(rows) - stored - len(refused), refused)

    parts = Parts(
        store=store,
        settings=Settings(data=folder),
        now=lambda: clock[0],
        component_states=lambda: states,
        take_readings=take,
        wake=Wake(),
    )
    return House(store, room, parts, states, clock)
