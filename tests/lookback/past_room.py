"""A room with a past: one enclosure whose climate is given, day after day, in a real store."""

from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from service.climate.psychrometrics import relative_humidity_of, vapour_pressure
from service.lookback.days import AssessedDays, assessed_days
from service.lookback.report import enclosure_report
from service.lookback.spans import enclosure_of, span_of
from service.model import Calibration, Enclosure, Flag, MistingSchedule, Placement, TargetOverride, to_ms
from service.store.engine import Store
from service.store.facts import RoomFacts, load_facts
from service.store.readings import add_readings, next_number
from tests.builders import LONG_AGO, a_probe, a_site, an_enclosure

FIRST = date(2026, 3, 2)
MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
NO_SOURCE = "common practice, no source"
PROFILE = {
    "target": [
        {"check": "hot-spot", "low": 33.0, "high": 37.0, "source": NO_SOURCE},
        {"check": "hot-spot-peak", "high": 40.0, "source": NO_SOURCE},
        {"check": "gradient", "low": 5.0, "source": NO_SOURCE},
        {"check": "night-drop", "low": 2.0, "high": 6.0, "source": NO_SOURCE},
        {"check": "humidity-day", "low": 45.0, "high": 85.0, "source": NO_SOURCE},
        {"check": "misting-cycles", "source": NO_SOURCE},
    ]
}
BASKING, AMBIENT, HUMIDITY, COOL = 1, 2, 3, 4
"""Ids of the channels, in the order in which `furnish` makes them."""
CLOCK = int(Flag.DEVICE_CLOCK)
ENTERED = {"entered_by": "the keeper", "entered_at": LONG_AGO}
Values = dict[int, np.ndarray]


def instant(day: int, hour: float = 0.0) -> datetime:
    """Return an instant, counted in days and hours from the first midnight, UTC."""
    return datetime(FIRST.year, FIRST.month, FIRST.day, tzinfo=UTC) + timedelta(days=day, hours=hour)


def ms(day: int, hour: float = 0.0) -> int:
    return to_ms(instant(day, hour))


def furnish(
    store: Store, timezone: str = "UTC", body: dict[str, Any] | None = None, every_s: float | None = 300
) -> None:
    """Lights 07:00 to 19:00, misting at noon, four channels."""
    with store.write() as session:
        a_site(session, timezone)
        enclosure = an_enclosure(session, body=body or PROFILE)
        session.add(MistingSchedule(enclosure_id=enclosure.id, cycles=[("12:00", 45)], from_at=LONG_AGO, **ENTERED))
        a_probe(session, "spot", ("surface_temperature",), enclosure, "basking", model="ds18b20", every_s=every_s)
        a_probe(session, "top", ("air_temperature", "relative_humidity"), enclosure, "ambient", every_s=every_s)
        a_probe(session, "cool", ("air_temperature",), enclosure, "cool-end", every_s=every_s)


def climate(at: np.ndarray, midnight_ms: int, misted: bool = True) -> Values:
    """Return what the four channels show: a good day, over and over; times in ms, local midnight known."""
    hour = ((at - midnight_ms) % DAY) / HOUR
    lit = (hour >= 7) & (hour < 19)
    alive = 0.01 * ((at // MINUTE) % 7)
    warm = np.clip((hour - 7) * 2, 0, 1) * lit
    air = np.where(lit, 27.0, 23.0) + alive
    since = hour - 12
    added = np.where(since > 0.05, 25.0 * np.exp(-np.maximum(since, 0.0) / 0.7), 0.0) if misted else 0.0
    vapour = vapour_pressure(np.array([25.0]), np.array([60.0]))[0]
    humidity = np.clip(relative_humidity_of(air, np.full(air.shape, vapour)) + added, 0, 100)
    return {
        BASKING: 24.0 + 11.0 * warm + alive,
        AMBIENT: air,
        HUMIDITY: np.round(humidity, 2),
        COOL: np.where(lit, 25.0, 22.5) + alive,
    }


def rows_of(values: Values, at: np.ndarray, flags: int = CLOCK) -> list[tuple[int, int, float, int]]:
    return [(channel, int(t), float(v), flags) for channel, row in values.items() for t, v in zip(at, row, strict=True)]


def live(
    store: Store,
    days: int,
    first: int = 0,
    changed: Callable[[np.ndarray, Values], Values] = lambda _, values: values,
    every_s: int = 300,
    midnight: int = ms(0),
) -> None:
    """Store some days of readings, changed as the test likes."""
    at = np.arange(midnight + first * DAY, midnight + (first + days) * DAY, every_s * 1000, dtype=np.int64)
    put(store, rows_of(changed(at, climate(at, midnight)), at))


def put(store: Store, rows: Sequence[tuple[int, int, float, int]]) -> None:
    with store.write() as session:
        add_readings(session, rows)


def enter(store: Store, *facts: Any) -> None:
    """Enter facts, as a change that everybody hears of."""
    with store.write() as session:
        for fact in facts:
            session.add(fact)
        next_number(session, "facts")


def override(first: datetime, until: datetime | None, check: str = "hot-spot", **limits: float) -> TargetOverride:
    return TargetOverride(
        enclosure_id=1, check=check, reason="quarantine", from_at=first, until_at=until, **ENTERED, **limits
    )


def check_of(channel: int, at: datetime, reference: float, reads: float, uncertainty: float = 0.1) -> Calibration:
    return Calibration(
        channel_id=channel, from_at=at, reference=reference, reads=reads, uncertainty=uncertainty, **ENTERED
    )


def moved(store: Store, channel: int, at: datetime, zone: str) -> None:
    """Put a channel elsewhere in its enclosure from an instant on."""
    with store.write() as session:
        old = session.get_one(Placement, channel)
        kept = {"channel_id": channel, "enclosure_id": 1} | ENTERED
        session.add(Placement(zone=old.zone, from_at=old.from_at, until_at=at, replaces_id=old.id, **kept))
        session.add(Placement(zone=zone, from_at=at, **kept))
        next_number(session, "facts")


def retired(store: Store, at: datetime) -> None:
    with store.write() as session:
        session.get_one(Enclosure, 1).retired_at = at
        next_number(session, "facts")


def facts_of(store: Store) -> RoomFacts:
    with store.read() as session:
        return load_facts(session)


def assessed(store: Store, days: int, first: int = 0, now: datetime | None = None) -> AssessedDays:
    facts = facts_of(store)
    enclosure = enclosure_of(facts, "rack-a-1")
    start = FIRST + timedelta(days=first)
    last = start + timedelta(days=days - 1)
    return assessed_days(store, facts, enclosure, start, last, to_ms(now or instant(400)))


def looked_back(
    store: Store, first: str | None = None, last: str | None = None, now: datetime | None = None
) -> dict[str, Any]:
    facts, at = facts_of(store), now or instant(400)
    span = span_of(first, last, ZoneInfo(facts.timezone), at)
    return enclosure_report(store, facts, enclosure_of(facts, "rack-a-1"), span, to_ms(at))


def day_of(found: AssessedDays, index: int) -> dict[str, Any]:
    return found.days[index].body["day"]


def verdicts(day: dict[str, Any]) -> dict[str, str | None]:
    return {result["check"]: result["verdict"] for result in day["checks"]}


def result_of(day: dict[str, Any], check: str) -> dict[str, Any]:
    return next(result for result in day["checks"] if result["check"] == check)
