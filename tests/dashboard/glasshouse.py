"""An invented room in a real store: an enclosure for each state that a screen has to show."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any

import httpx
import numpy as np
from fastapi import FastAPI
from sqlmodel import Session

from service.api.parts import ComponentState, Parts, Taken, Wake
from service.model import (
    Alarm,
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
from service.settings import Settings
from service.store.engine import Store
from service.store.readings import add_readings, next_number
from tests.empty_store import sqlite_store

NOW = datetime(2026, 3, 10, 14, 0, tzinfo=UTC)
"""Two in the afternoon in Lisbon; lights on since 07:30."""
LONG_AGO = datetime(2025, 1, 1, tzinfo=UTC)
MINUTE_MS = 60_000
HOSTILE = "<script>alert(\"x\")</script> & 'frogs'"
SOURCE = "common practice, no source"
TARGETS = [
    {"check": "hot-spot", "low": 31.0, "high": 36.0, "source": SOURCE},
    {"check": "hot-spot-peak", "high": 40.0, "source": SOURCE},
    {"check": "night-floor", "low": 20.0, "source": SOURCE},
    {"check": "night-ceiling", "high": 25.0, "source": SOURCE},
    {"check": "humidity-day", "low": 50.0, "high": 80.0, "source": SOURCE},
    {"check": "humidity-night", "low": 55.0, "high": 90.0, "source": SOURCE},
]
_ENTERED = {"from_at": LONG_AGO, "entered_by": "a test", "entered_at": LONG_AGO}


@dataclass
class Glasshouse:
    """A filled room, with a clock and component states that a test may set."""

    store: Store
    parts: Parts
    clock: list[datetime]
    states: dict[str, ComponentState]
    channels: dict[str, int] = field(default_factory=dict)


class Visitor:
    """Asks the whole application, as a browser does that runs no scripts."""

    def __init__(self, app: FastAPI, cookie: str = "") -> None:
        self._app, self.cookie = app, cookie

    def get(self, path: str) -> httpx.Response:
        """Return the answer to a GET."""
        return asyncio.run(self._ask("GET", path))

    def post(self, path: str, **sent: Any) -> httpx.Response:
        """Return the answer to a POST of a form (`data`) or of JSON (`json`)."""
        return asyncio.run(self._ask("POST", path, **sent))

    async def _ask(self, method: str, path: str, **sent: Any) -> httpx.Response:
        transport = httpx.ASGITransport(self._app)
        headers = {"cookie": self.cookie} if self.cookie else {}
        async with httpx.AsyncClient(transport=transport, base_url="http://wardian.test", headers=headers) as client:
            return await client.request(method, path, **sent)


def values_at(at: np.ndarray, now_ms: int, key: str) -> dict[str, np.ndarray]:
    """Return what the probes of an enclosure say at these times, by quantity: lights from 07:30 to 19:30 UTC."""
    minute = at / MINUTE_MS % 1440
    lit = np.where((minute >= 450) & (minute < 1170), 1.0, 0.0)
    since = np.where(lit > 0, minute - 450, 0)
    warm = lit * (1 - np.exp(-since / 15))
    basking, air = 23 + 10.5 * warm, 22.5 + 3 * warm
    humidity = np.full(len(at), 65.0) + np.where(minute >= 480, 20 * np.exp(-np.clip(minute - 480, 0, None) / 60), 0)
    to_go = (now_ms - at) / MINUTE_MS
    if key == "hot":
        basking = basking + np.where(to_go < 30, (30 - to_go) * 0.3, 0)
    if key == "dry":
        humidity = humidity - np.where(to_go < 200, (200 - to_go) * 0.15, 0)
    return {"surface_temperature": basking, "air_temperature": air, "relative_humidity": humidity}


def known(at: np.ndarray, now_ms: int, key: str) -> np.ndarray:
    """Return which of the readings came at all."""
    to_go = (now_ms - at) / MINUTE_MS
    if key == "silent":
        return to_go > 180
    return (to_go < 100) | (to_go > 160) if key == "gap" else np.ones(len(at), dtype=bool)


def _profile(session: Session) -> None:
    session.add(Site(name="North house", timezone="Europe/Lisbon"))
    session.add(Room(key="front", name="Front room"))
    session.add(Profile(key="sun-lizard", species="Lacerta exempli"))
    session.flush()
    session.add(ProfileVersion(profile_id=1, version=1, body={"target": TARGETS, "season": []}, **_ENTERED))


def _enclosure(session: Session, number: int, key: str, name: str, *, placed: bool) -> None:
    place = {"rack": "A", "level": 1 + number // 3, "slot": 1 + number % 3} if placed else {}
    session.add(Enclosure(id=number + 1, key=key, name=name, room_id=1, **place))
    session.flush()
    if key == "resting":
        return
    fact = {"enclosure_id": number + 1} | _ENTERED
    session.add(LightSchedule(on=time(7, 30), off=time(19, 30), **fact))
    session.add(MistingSchedule(cycles=[("08:00", 45), ("17:00", 45)], **fact))
    session.add(ProfileAssignment(profile_id=1, **fact))


def _probe(session: Session, house: Glasshouse, enclosure: int, key: str, quantity: str) -> int:
    zone = "basking" if quantity == "surface_temperature" else "ambient"
    model = "ds18b20" if zone == "basking" else "sht31"
    probe = Probe(key=f"{key}-{quantity[:3]}", model=model, topic=f"p/{key}/{quantity}", format="json", every_s=60)
    session.add(probe)
    session.flush()
    channel = Channel(key=f"{probe.key}/{quantity}", probe_id=probe.id or 0, quantity=quantity, pointer="/v")
    session.add(channel)
    session.flush()
    session.add(Placement(channel_id=channel.id, enclosure_id=enclosure, zone=zone, **_ENTERED))
    house.channels[f"{key}/{quantity}"] = channel.id or 0
    return channel.id or 0


def _alarm(session: Session, enclosure: int, now: datetime, condition: str, zone: str, **fields: object) -> None:
    began = now - timedelta(minutes=12)
    usual = {
        "priority": "high",
        "state": "unacknowledged",
        "raised_at": began + timedelta(minutes=1),
        "began_at": began,
    }
    place = f"{enclosure}/{zone}"
    session.add(Alarm(condition=condition, place=place, zone=zone, enclosure_id=enclosure, **(usual | fields)))


def _raise_alarms(session: Session, house: Glasshouse, keys: list[str], now: datetime) -> None:
    hot, dry, silent = (keys.index(key) + 1 for key in ("hot", "dry", "silent"))
    spot = {"channel_id": house.channels["hot/surface_temperature"], "value": 40.4, "limit": 40.0, "unit": "°C"}
    cause = "The ambient is steady: lamp too close, bulb changed, thermostat probe moved."
    _alarm(session, hot, now, "basking-overheat", "basking", peak=42.2, cause=cause, **spot)
    past = {"raised_at": now - timedelta(hours=30), "began_at": now - timedelta(hours=30)}
    returned = {"state": "normal", "returned_at": now - timedelta(hours=29)}
    _alarm(session, hot, now, "basking-cold", "basking", priority="medium", peak=27.0, unit="°C", **past, **returned)
    wet = {"channel_id": house.channels["dry/relative_humidity"], "value": 44.0, "limit": 45.0, "unit": "%RH"}
    _alarm(session, dry, now, "too-dry", "ambient", priority="medium", peak=36.0, **wet)
    _alarm(session, silent, now, "probe-silent", "basking", priority="medium")


def glasshouse(folder: Path, now: datetime = NOW, days: float = 2.0) -> Glasshouse:
    """Return a filled room; its readings end a minute before `now`."""
    store = sqlite_store(folder / "wardian.db")
    house = bare_house(store, folder, now)
    names = {
        "steady": "Day geckos 1", "hot": "Day geckos 2", "dry": "Dart frogs 1", "silent": "Tree pythons 1",
        "gap": "Day geckos 3", "hostile": HOSTILE, "resting": "Spare", "loose": "Quarantine 1",
    }  # fmt: skip
    now_ms = to_ms(now)
    at = np.arange(now_ms - int(days * 1440) * MINUTE_MS, now_ms, MINUTE_MS)
    with store.write() as session:
        _profile(session)
        for number, (key, name) in enumerate(names.items()):
            _enclosure(session, number, key, name, placed=key != "loose")
            if key == "resting":
                continue
            came = known(at, now_ms, key)
            for quantity, value in values_at(at, now_ms, key).items():
                channel = _probe(session, house, number + 1, key, quantity)
                rows = zip(at[came].tolist(), np.round(value[came], 1).tolist(), strict=True)
                add_readings(session, [(channel, moment, said, 1) for moment, said in rows])
        _raise_alarms(session, house, list(names), now)
        next_number(session, "facts")
    return house


def bare_house(store: Store, folder: Path, now: datetime) -> Glasshouse:
    """Return a house of an empty store."""
    clock = [now]
    states = {"broker": ComponentState(ok=True, said="connected"), "watch": ComponentState(ok=True, said="watching")}
    parts = Parts(
        store=store,
        settings=Settings(data=folder),
        now=lambda: clock[0],
        component_states=lambda: states,
        take_readings=lambda posted: Taken(0, len(posted)),
        wake=Wake(),
    )
    return Glasshouse(store, parts, clock, states)


@contextmanager
def opened(folder: Path, now: datetime = NOW) -> Iterator[Glasshouse]:
    """Give a filled room, closed afterwards."""
    house = glasshouse(folder, now)
    try:
        yield house
    finally:
        house.store.close()
