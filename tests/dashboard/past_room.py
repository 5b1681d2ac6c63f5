"""One enclosure with five weeks behind it, over a change of the clocks: a clog, a dead lamp, a silent day, a gap."""

from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from sqlmodel import Session

from service.model import (
    Alarm,
    Calibration,
    Channel,
    Enclosure,
    LightSchedule,
    MistingSchedule,
    Placement,
    Probe,
    Profile,
    ProfileAssignment,
    ProfileVersion,
    Room,
    Site,
    to_ms,
)
from service.store.readings import add_readings, next_number
from tests.dashboard.glasshouse import HOSTILE, SOURCE, TARGETS, Glasshouse, bare_house
from tests.empty_store import sqlite_store

LISBON = ZoneInfo("Europe/Lisbon")
NOW = datetime(2026, 4, 2, 12, 0, tzinfo=UTC)
"""One in the afternoon in Lisbon, four days after its clocks went forward."""
FIRST = date(2026, 2, 27)
DEAD_LAMP = date(2026, 3, 18)
SILENT = date(2026, 3, 12)
GAP = date(2026, 3, 20)
CLOCKS_CHANGE = date(2026, 3, 29)
CLOGGED_SINCE = date(2026, 3, 29)
EVERY_MS = 300_000
_LONG_AGO = datetime(2026, 1, 1, tzinfo=UTC)
_ENTERED = {"from_at": _LONG_AGO, "entered_by": "a keeper", "entered_at": _LONG_AGO}


def instants() -> np.ndarray:
    """Return when the probes spoke: every five minutes, but for the silent day and a gap of three hours."""
    start = to_ms(datetime.combine(FIRST, time(), LISBON).astimezone(UTC))
    at = np.arange(start, to_ms(NOW), EVERY_MS)
    local = [datetime.fromtimestamp(ms / 1000, LISBON) for ms in at.tolist()]
    spoke = [one.date() != SILENT and not (one.date() == GAP and 14 <= one.hour < 17) for one in local]
    return at[np.array(spoke)]


def said(at: np.ndarray) -> dict[str, np.ndarray]:
    """Return the basking spot, the air and its humidity: lights 07:30 to 19:30, mistings at 08:00 and 17:00, local."""
    local = [datetime.fromtimestamp(ms / 1000, LISBON) for ms in at.tolist()]
    minute = np.array([one.hour * 60 + one.minute for one in local], dtype=float)
    lit = (minute >= 450) & (minute < 1170)
    dead = np.array([one.date() == DEAD_LAMP for one in local])
    clogged = np.array([one.date() >= CLOGGED_SINCE for one in local])
    basking = np.where(lit & ~dead, 33.5, 22.5)
    humidity = np.full(len(at), 62.0)
    for start, full in ((480, 24.0), (1020, 18.0)):
        since = minute - start
        pulse = np.where(since > 0, (1 - np.exp(-since / 4)) * np.exp(-since / 70), 0)
        humidity += pulse * np.where(clogged & (start == 480), 5.0, full)
    # A slow wave, so that no channel seems stuck and no fan is without width.
    wave = 0.4 * np.sin(at / 3.7e8) + 0.2 * np.sin(at / 1.3e6)
    return {
        "surface_temperature": basking + wave,
        "air_temperature": np.where(lit, 25.0, 22.0) + wave,
        "relative_humidity": humidity + wave,
    }


def past_room(folder: Path) -> Glasshouse:
    """Return a room: "long" has a past, "new" was never heard, "bare" has a probe and no facts besides."""
    store = sqlite_store(folder / "wardian.db")
    house = bare_house(store, folder, NOW)
    at = instants()
    wanted = [
        *TARGETS,
        {"check": "misting-cycles", "low": 10.0, "source": SOURCE},
        {"check": "photoperiod", "low": 11.0, "high": 13.0, "source": SOURCE},
    ]
    with store.write() as session:
        session.add(Site(name="North house", timezone="Europe/Lisbon"))
        session.add(Room(key="front", name="Front room"))
        session.add(Profile(key="sun-lizard", species="Lacerta exempli"))
        session.flush()
        session.add(ProfileVersion(profile_id=1, version=1, body={"target": wanted, "season": []}, **_ENTERED))
        for number, (key, name) in enumerate({"long": HOSTILE, "new": "Day geckos 9"}.items(), 1):
            session.add(Enclosure(id=number, key=key, name=name, room_id=1))
            session.flush()
            fact = {"enclosure_id": number} | _ENTERED
            session.add(LightSchedule(on=time(7, 30), off=time(19, 30), **fact))
            session.add(MistingSchedule(cycles=[("08:00", 45), ("17:00", 45)], **fact))
            session.add(ProfileAssignment(profile_id=1, **fact))
        for quantity, value in said(at).items():
            channel = _channel(session, "long", 1, quantity)
            house.channels[quantity] = channel
            add_readings(
                session, [(channel, ms, round(v, 2), 1) for ms, v in zip(at.tolist(), value.tolist(), strict=True)]
            )
        session.add(Enclosure(id=3, key="bare", name="Quarantine 3", room_id=1))
        session.flush()
        bare = _channel(session, "bare", 3, "air_temperature")
        add_readings(session, [(bare, ms, 24.0 + ms % 7 / 10, 1) for ms in at[-1_700:].tolist()])
        cold = datetime.combine(DEAD_LAMP, time(10, 5), LISBON).astimezone(UTC)
        session.add(
            Alarm(
                condition="basking-cold", place="1/basking", zone="basking", enclosure_id=1, priority="medium",
                state="normal", raised_at=cold, began_at=cold, returned_at=cold + timedelta(hours=9),
                peak=22.1, unit="°C",
            )
        )  # fmt: skip
        next_number(session, "facts")
    return house


def _channel(session: Session, key: str, enclosure: int, quantity: str) -> int:
    zone = "basking" if quantity == "surface_temperature" else "ambient"
    probe = Probe(key=f"{key}-{quantity[:3]}", model="sht31", topic=f"p/{key}/{quantity}", format="json", every_s=300)
    session.add(probe)
    session.flush()
    channel = Channel(key=f"{probe.key}/{quantity}", probe_id=probe.id or 0, quantity=quantity, pointer="/v")
    session.add(channel)
    session.flush()
    session.add(Placement(channel_id=channel.id, enclosure_id=enclosure, zone=zone, **_ENTERED))
    if quantity == "relative_humidity":
        checked = _ENTERED | {"from_at": datetime.combine(GAP, time(9), LISBON).astimezone(UTC)}
        session.add(Calibration(channel_id=channel.id, reference=75.3, reads=75.3, uncertainty=1.0, **checked))
    return channel.id or 0
